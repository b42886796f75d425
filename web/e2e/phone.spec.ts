import { chromium, expect, test } from '@playwright/test'
import { mkdtempSync, readdirSync, readFileSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { allWell, Office, setUp } from './fixtures/phone'

test.use({ viewport: { width: 390, height: 844 }, serviceWorkers: 'allow', geolocation: { latitude: 44.0135, longitude: -121.2501, accuracy: 6 }, permissions: ['geolocation'], hasTouch: true, actionTimeout: 8_000 })

let office: Office
test.beforeEach(async () => { office = await Office.start() })
test.afterEach(async () => { await office.stop() })

// A photo: a PNG of four by three pixels, made here.
const PNG = Buffer.from('iVBORw0KGgoAAAANSUhEUgAAAAQAAAADCAIAAAA7ljmRAAAAEElEQVR4nGOIqrCBIwacHAD4WwypJuceeQAAAABJRU5ErkJggg==', 'base64')

/** Ends the browser of this one home directory as a flat battery would: no word, no time to tidy up. */
function killAll(home: string): void {
  for (const pid of readdirSync('/proc').filter((name) => /^[0-9]+$/.test(name))) {
    try {
      if (readFileSync(`/proc/${pid}/cmdline`, 'utf8').includes(`--user-data-dir=${home}`)) process.kill(Number(pid), 'SIGKILL')
    } catch {
      // It ended by itself in between.
    }
  }
}

test('a code sets the phone up, a wrong one says so', async ({ page }) => {
  await page.goto(`${office.url}/phone#enrol=wrong`)
  await page.getByRole('button', { name: 'Set it up' }).click()
  await expect(page.getByRole('alert')).toContainText('The office said no')
  expect(page.url()).not.toContain('wrong')
  await setUp(page, office)
  await expect(page.getByText('belongs to Alder Reach')).toBeVisible()
})

test('six taps when all is well, saved in 200 ms, sent and proved', async ({ page }) => {
  await setUp(page, office)
  const hide = page.getByRole('button', { name: /hide for today/ })
  await hide.click()
  expect(await allWell(page)).toBeLessThanOrEqual(6)
  await expect.poll(() => office.entries.length).toBe(1)
  expect(office.bodies('visit-made')[0]).toMatchObject({
    trap: 'T-12', found: 'working', looked: 'fully', proved_by: 'read', catch: { suspects: 0 }, outcome: 'complete', kind: 'service', crew: 'crew-3', renewed: { lure: {} }, position: { lat: 44.0135, lon: -121.2501 },
  })
  await expect(page.getByText('all sent')).toBeVisible()
  await expect(page.getByText('1 of 4 stops done')).toBeVisible()
  // The next stop is the next one, and the time from tap to acknowledgement is measured on it.
  await page.getByRole('link', { name: 'Open T-13' }).click()
  for (const words of ['Yes: I know it by sight', 'There, and working', 'Looked: nothing caught', /Nothing renewed/]) await page.getByText(words).click()
  const took = await page.evaluate(async () => {
    const button = [...document.querySelectorAll('button')].find((b) => b.textContent === 'Save')
    const start = performance.now()
    button?.click()
    while (!document.body.textContent?.includes('Saved on this phone: T-13')) await new Promise((done) => setTimeout(done, 5))
    return performance.now() - start
  })
  console.log(`from tap to acknowledgement: ${took.toFixed(0)} ms`)
  expect(took).toBeLessThan(1_000)
  await expect.poll(() => office.bodies('visit-made')[1]?.['outcome']).toBe('partial')
})

test('off line: reload keeps everything, and it goes out when the network is back', async ({ page, context }) => {
  await setUp(page, office)
  await page.waitForFunction(() => navigator.serviceWorker.ready.then(() => true))
  await page.reload()
  await context.setOffline(true)
  office.away = true
  await page.reload()
  await expect(page.getByRole('heading', { name: 'Next stop' })).toBeVisible()
  await allWell(page)
  await expect(page.getByText('1 unsent')).toBeVisible()
  await expect(page).toHaveTitle('(1) Earlywood')
  // A form that is half filled in.
  await page.getByRole('link', { name: 'Open T-13' }).click()
  await page.getByText('There, but not as it should be').click()
  await page.getByText('lure dry').click()
  await page.waitForTimeout(200)
  await page.reload()
  await expect(page.getByLabel('lure dry')).toBeChecked()
  await page.getByRole('link', { name: 'Earlywood' }).click()
  await expect(page.getByRole('link', { name: 'Go on with T-13' })).toBeVisible()
  await page.getByRole('link', { name: /^Unsent/ }).click()
  await expect(page.getByText('No. 1')).toBeVisible()
  expect(office.entries.length).toBe(0)
  office.away = false
  await context.setOffline(false)
  await expect.poll(() => office.entries.length, { timeout: 15_000 }).toBe(1)
  await expect(page.getByText('all sent')).toBeVisible()
})

test('a suspect: refused twice-used number, photo, visit and specimen in one go, hand-over', async ({ page }) => {
  await setUp(page, office)
  await page.getByRole('link', { name: 'Open T-12' }).click()
  await page.getByText('Yes: I read its number').click()
  await page.getByText('There, and working').click()
  await page.getByText('Looked: suspect found').click()
  await expect(page.getByText('Do not touch it with your fingers')).toBeVisible()
  const number = page.getByLabel('Number on the pre-printed label')
  await number.fill('26-0417')
  await expect(page.getByText('26-0417 is used already')).toBeVisible()
  await page.getByText('Nothing renewed').click()
  await page.getByRole('button', { name: 'Save', exact: true }).click()
  await expect(page.getByText('a number is used already')).toBeVisible()
  await number.fill('26-0500')
  await page.locator('#q-suspects input[type=file]').setInputFiles({ name: 'a.png', mimeType: 'image/png', buffer: PNG })
  await expect(page.locator('#q-suspects img')).toBeVisible()
  await page.getByRole('button', { name: 'Save', exact: true }).click()
  await expect.poll(() => office.entries.map((e) => e.kind)).toEqual(['visit-made', 'specimen-taken'])
  await expect.poll(() => office.contents.size).toBe(1)
  expect(office.bodies('visit-made')[0]).toMatchObject({ catch: { suspects: 1, specimens: ['26-0500'] }, outcome: 'partial' })
  expect(office.bodies('specimen-taken')[0]).toMatchObject({ specimen: '26-0500', what: 'insect', from: { is: 'trap', trap: 'T-12' }, suspected: 'emerald-ash-borer', photos: [{ media: 'image/jpeg', shows: 'suspect with scale' }] })
  await page.getByRole('link', { name: 'End of day' }).click()
  await expect(page.getByText('26-0500, insect, from T-12')).toBeVisible()
  await page.getByRole('button', { name: 'Write the hand-over down' }).click()
  await expect(page.getByRole('alert')).toContainText('Say to whom')
  await page.getByLabel('To whom').fill('p-5')
  await page.getByRole('button', { name: 'Write the hand-over down' }).click()
  await expect.poll(() => office.bodies('specimens-offered')[0]).toMatchObject({ specimens: ['26-0500'], from: 'p-14', to: 'p-5', containers: 1 })
  await expect(page.getByText('Nothing is in your box.')).toBeVisible()
})

test('could not reach, not looked, not there: each says why, none is an empty trap', async ({ page }) => {
  await setUp(page, office)
  await page.getByRole('link', { name: 'Open T-12' }).click()
  await page.getByText('I could not get to it').click()
  await page.getByRole('button', { name: 'Save', exact: true }).click()
  await expect(page.getByText('why you could not get to it')).toBeVisible()
  await page.getByText('locked', { exact: true }).click()
  await page.getByRole('button', { name: 'Save', exact: true }).click()
  await expect.poll(() => office.bodies('visit-made')[0]).toMatchObject({ found: 'not-reached', looked: 'no', outcome: 'failed', exception: 'locked' })
  expect(office.bodies('visit-made')[0]).not.toHaveProperty('catch')
  await page.getByRole('link', { name: 'Open T-13' }).click()
  await page.getByText('Yes: I read its number').click()
  await page.getByText('There, and working').click()
  await page.getByText('Not looked', { exact: true }).click()
  await page.getByRole('button', { name: 'rain' }).click()
  await page.getByText('Nothing renewed').click()
  await page.getByRole('button', { name: 'Save', exact: true }).click()
  await expect.poll(() => office.bodies('visit-made')[1]).toMatchObject({ found: 'working', looked: 'no', not_looked_why: 'rain', outcome: 'failed' })
  await page.getByRole('link', { name: 'Open T-14' }).click()
  await page.getByText('Not there', { exact: true }).click()
  await page.getByRole('button', { name: 'Save', exact: true }).click()
  await expect.poll(() => office.bodies('visit-made')[2]).toMatchObject({ found: 'gone', exception: 'trap-missing', outcome: 'failed' })
})

test('what was saved by mistake is taken back by a correction', async ({ page }) => {
  await setUp(page, office)
  await allWell(page)
  await page.getByRole('button', { name: 'Take it back' }).click()
  await page.getByRole('button', { name: 'Yes, take it back' }).click()
  await expect.poll(() => office.bodies('correction')[0]).toMatchObject({ corrects: office.entries[0]?.id, change: { to: 'withdraw' } })
  await expect(page.getByText('0 of 4 stops done')).toBeVisible()
})

test('a look at a tree', async ({ page }) => {
  await setUp(page, office)
  await page.getByRole('link', { name: 'Tree look' }).click()
  await page.getByLabel('Tree’s number').fill('A-88')
  await page.getByLabel('Tree’s number').blur()
  await expect(page.getByText('On the host list')).toBeVisible()
  await page.getByText('the ground', { exact: true }).click()
  await page.getByText('Looked: signs seen').click()
  await page.getByText('trunk up to 2 m').click()
  await page.getByText('holes', { exact: true }).click()
  await page.getByLabel('How many').fill('7')
  await page.getByText('like a D').click()
  await page.getByRole('button', { name: 'Save the look' }).click()
  await expect.poll(() => office.bodies('tree-inspected')[0]).toMatchObject({
    tree: 'A-88', host: 'A-88', species: 'Fraxinus latifolia', species_sure: 'probable', from: 'ground', parts: ['lower-trunk'], looked: 'fully', none_found: false, signs: [{ sign: 'hole', count: 7, shape: 'd' }],
  })
})

test('the phone was withdrawn, or forked: all stays and can be saved to a file', async ({ page }) => {
  await setUp(page, office)
  office.refuse = { status: 403, code: 'not-enrolled', words: 'unknown device' }
  await allWell(page)
  await expect(page.getByText('does not know this phone any more')).toBeVisible()
  await page.getByRole('link', { name: 'Unsent:' }).click()
  const [download] = await Promise.all([page.waitForEvent('download'), page.getByRole('button', { name: 'Save what is unsent to a file' }).click()])
  expect(download.suggestedFilename()).toMatch(/\.earlywood-bundle$/)
  office.refuse = undefined
  await page.getByRole('button', { name: 'Send now' }).click()
  await expect.poll(() => office.entries.length).toBe(1)
  await expect(page.getByText('does not know this phone any more')).toBeHidden()
})

test('two windows write one chain', async ({ page, context }) => {
  await setUp(page, office)
  office.away = true
  const other = await context.newPage()
  await other.goto(`${office.url}/phone`)
  for (const [tab, trap] of [[page, 'T-12'], [other, 'T-13']] as const) {
    await tab.getByRole('link', { name: new RegExp(`^(Open )?.*${trap}`) }).first().click()
    for (const words of ['Yes: I read its number', 'There, and working', 'Looked: nothing caught', /Renewed as due/]) await tab.getByText(words).click()
  }
  await Promise.all([page, other].map((tab) => tab.evaluate(() => [...document.querySelectorAll('button')].find((b) => b.textContent === 'Save')?.click())))
  for (const tab of [page, other]) await expect(tab.getByText('2 unsent')).toBeVisible()
  office.away = false
  await page.getByRole('link', { name: /^Unsent/ }).click()
  await page.getByRole('button', { name: 'Send now' }).click()
  await expect.poll(() => office.entries.map((e) => e.number)).toEqual([1, 2])
})

test('the program is killed while it writes: what was acknowledged is there, whole, and nothing else', async () => {
  test.setTimeout(120_000)
  const home = mkdtempSync(join(tmpdir(), 'earlywood-phone-'))
  const open = () => chromium.launchPersistentContext(home, { executablePath: process.env['CHROMIUM'] ?? '/usr/bin/chromium', args: ['--no-sandbox'], viewport: { width: 390, height: 844 } })
  try {
    let context = await open()
    let page = context.pages()[0] ?? await context.newPage()
    await setUp(page, office)
    office.away = true
    let acknowledged = 0
    for (const [round, wait] of [5, 0, 25, 60].entries()) {
      // Written without pause until the process is killed; each acknowledgement is told at once.
      let told = acknowledged
      await page.exposeFunction('told', (n: number) => { told = Math.max(told, n) })
      await page.goto(`${office.url}/phone/stop/T-1${2 + round}`)
      for (const words of ['Yes: I read its number', 'There, and working', 'Looked: nothing caught', /Renewed as due|Nothing was due/]) await page.getByText(words).click()
      await page.evaluate(() => {
        const tell = (window as unknown as { told(n: number): void }).told
        const seen = (): void => tell(Number(/\((\d+)\)/.exec(document.title)?.[1] ?? 0))
        new MutationObserver(seen).observe(document.querySelector('title') ?? document.head, { childList: true, subtree: true, characterData: true })
        ;[...document.querySelectorAll('button')].find((b) => b.textContent === 'Save')?.click()
      })
      await new Promise((done) => setTimeout(done, wait))
      killAll(home)
      await context.close().catch(() => undefined)
      context = await open()
      page = context.pages()[0] ?? await context.newPage()
      await page.goto(`${office.url}/phone/unsent`)
      await expect(page.getByRole('heading', { name: 'Unsent' })).toBeVisible()
      const n = Number(/\((\d+)\)/.exec(await page.title())?.[1] ?? 0)
      expect(n).toBeGreaterThanOrEqual(told)
      expect(n).toBeLessThanOrEqual(acknowledged + 1)
      await expect(page.getByText('do not fit together')).toBeHidden()
      acknowledged = n
    }
    office.away = false
    // It also tries by itself; then the button is gone before it is hit.
    await page.getByRole('button', { name: 'Send now' }).click({ timeout: 5_000 }).catch(() => undefined)
    await expect.poll(() => office.entries.length, { timeout: 30_000 }).toBe(acknowledged)
    await context.close()
  } finally {
    rmSync(home, { recursive: true, force: true, maxRetries: 10, retryDelay: 200 })
  }
})

test('no room: nothing is written, the form stays filled in, and says so', async ({ page }) => {
  await setUp(page, office)
  await page.getByRole('link', { name: 'Open T-12' }).click()
  for (const words of ['Yes: I read its number', 'There, and working', 'Looked: nothing caught', /Renewed as due/]) await page.getByText(words).click()
  await page.evaluate(() => {
    const { add } = IDBObjectStore.prototype
    IDBObjectStore.prototype.add = function (this: IDBObjectStore, ...args: Parameters<typeof add>) {
      void args
      throw new DOMException('full', 'QuotaExceededError')
    }
    ;(window as unknown as { mend(): void }).mend = () => { IDBObjectStore.prototype.add = add }
  })
  await page.getByRole('button', { name: 'Save', exact: true }).click()
  await expect(page.getByText('The phone has no room left')).toBeVisible()
  await expect(page.getByLabel('There, and working')).toBeChecked()
  expect(office.entries.length).toBe(0)
  await page.evaluate(() => (window as unknown as { mend(): void }).mend())
  await page.locator('.toast').getByRole('button').click()
  await page.getByRole('button', { name: 'Save', exact: true }).click()
  await expect.poll(() => office.entries.length).toBe(1)
})

test('a new version waits while a form is open, and takes over only when asked', async ({ page }) => {
  await setUp(page, office)
  await page.waitForFunction(() => navigator.serviceWorker.ready.then(() => true))
  await page.reload()
  await page.getByRole('link', { name: 'Open T-12' }).click()
  await page.getByText('There, and working').click()
  office.build = '0123456789abcdef0123456789abcdef'
  await page.evaluate(() => navigator.serviceWorker.ready.then((r) => r.update()).then(() => undefined))
  await expect(page.getByText('A new version is ready.')).toBeVisible({ timeout: 15_000 })
  await expect(page.getByText('It waits until no form is open.')).toBeVisible()
  await expect(page.getByLabel('There, and working')).toBeChecked()
  await page.getByRole('link', { name: 'Earlywood' }).click()
  await Promise.all([page.waitForEvent('load'), page.getByRole('button', { name: 'Use it now' }).click()])
  await expect(page.getByRole('link', { name: 'Go on with T-12' })).toBeVisible()
  await expect(page.getByText('A new version is ready.')).toBeHidden()
  expect((await page.evaluate(() => caches.keys())).length).toBe(1)
})

test('a trap is hung off line at a place of the plan: reload keeps the form, three entries go out together, and it can be taken back', async ({ page, context }) => {
  await setUp(page, office)
  await page.waitForFunction(() => navigator.serviceWorker.ready.then(() => true))
  await page.reload()
  await context.setOffline(true)
  office.away = true
  await page.reload()
  await expect(page.getByRole('heading', { name: 'To hang' })).toBeVisible()
  await expect(page.getByText('3 places of the plan wait for a trap')).toBeVisible()
  await page.getByRole('link', { name: 'Hang a trap' }).click()
  await page.getByLabel('Find a place, zone or target').fill('p-22')
  await expect(page.getByRole('link', { name: /P-21/ })).toHaveCount(0)
  await page.getByRole('link', { name: /P-22/ }).click()
  await page.getByRole('button', { name: 'Save: it hangs' }).click()
  await expect(page.getByRole('alert')).toContainText('the trap’s number')
  // One that hangs is refused, with its place.
  const number = page.getByLabel('The trap’s number')
  await number.fill('t-12')
  await expect(page.getByText('T-12 hangs at P-11')).toBeVisible()
  await number.fill('N-1')
  await expect(page.getByText('N-1 is new')).toBeVisible()
  await page.getByRole('button', { name: 'prism' }).click()
  await page.getByRole('button', { name: 'L-7' }).click()
  await page.getByText('Where I stand').click()
  await expect(page.getByText('The office needs to know why')).toBeVisible()
  await page.getByRole('button', { name: 'Save: it hangs' }).click()
  await expect(page.getByText('why it hangs away from the plan')).toBeVisible()
  await page.getByRole('button', { name: 'no fitting branch' }).click()
  await page.locator('input[type=file]').setInputFiles({ name: 'a.png', mimeType: 'image/png', buffer: PNG })
  await expect(page.locator('.photos img')).toBeVisible()
  await page.waitForTimeout(200)
  await page.reload()
  await expect(number).toHaveValue('N-1')
  await expect(page.locator('.photos img')).toBeVisible()
  await page.getByRole('button', { name: 'Save: it hangs' }).click()
  await expect(page.getByText('Saved on this phone: N-1')).toBeVisible()
  await expect(page.getByText('3 unsent')).toBeVisible()
  // The place is gone from the list, and the trap is known from now on.
  await expect(page.getByRole('link', { name: /P-22/ })).toHaveCount(0)
  await page.getByRole('link', { name: /P-21/ }).click()
  await number.fill('n-1')
  await expect(page.getByText('N-1 hangs at P-22')).toBeVisible()
  // Its lure's lot is remembered; one in store needs no device.
  await number.fill('T-90')
  await expect(page.getByText('T-90 is known and in store')).toBeVisible()
  await expect(page.getByLabel('Lot: lure')).toHaveValue('L-7')
  await page.getByRole('button', { name: 'Save: it hangs' }).click()
  await expect(page.getByText('5 unsent')).toBeVisible()
  await page.getByRole('button', { name: 'Take it back' }).click()
  await page.getByRole('button', { name: 'Yes, take it back' }).click()
  await expect(page.getByRole('link', { name: /P-21/ })).toBeVisible()
  await page.getByRole('link', { name: 'Today', exact: true }).first().click()
  await page.getByLabel('Find a trap by its number').fill('N-1')
  await expect(page.getByRole('link', { name: /N-1/ })).toBeVisible()
  office.away = false
  await context.setOffline(false)
  // The browser under test does not tell a page that was loaded off line; a phone's does. Else it tries after 20 s.
  await page.evaluate(() => dispatchEvent(new Event('online')))
  await expect.poll(() => office.entries.map((e) => e.kind), { timeout: 15_000 }).toEqual(['trap-registered', 'trap-placed', 'visit-made', 'trap-placed', 'visit-made', 'correction', 'correction'])
  await expect.poll(() => office.contents.size).toBe(1)
  expect(office.bodies('trap-registered')).toEqual([{ trap: 'N-1', device: 'prism' }])
  expect(office.bodies('trap-placed')[0]).toMatchObject({ trap: 'N-1', place: 'P-22', position: { lat: 44.0135, lon: -121.2501 }, targets: ['emerald-ash-borer'] })
  const visit = office.bodies('visit-made')[0]
  expect(visit).toMatchObject({
    trap: 'N-1', place: 'P-22', kind: 'hang', found: 'working', looked: 'no', outcome: 'complete', renewed: { lure: { lot: 'L-7' } }, proved_by: 'read', crew: 'crew-3',
    position: { lat: 44.0135, lon: -121.2501 }, position_accuracy_m: 6, photos: [{ shows: 'overview' }],
  })
  expect(String(visit?.['note'])).toMatch(/^hung 7\d m from the planned place: no fitting branch$/)
  expect(office.bodies('trap-placed')[1]).toMatchObject({ trap: 'T-90', place: 'P-21', position: { lat: 44.0136, lon: -121.2501 } })
  // Taken back, the visit first.
  expect(office.bodies('correction').map((body) => body['corrects'])).toEqual([office.entries[4]?.id, office.entries[3]?.id])
})
