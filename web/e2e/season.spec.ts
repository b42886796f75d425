// A season in one sitting, against the real program: from the empty file to a find on the map.

import AxeBuilder from '@axe-core/playwright'
import { expect, test, type Page } from '@playwright/test'
import { county, traps, type File } from './fixtures/county'
import { desk, onDay, openTrap, PASSWORD, phoneOptions, plainStop, renewNothing, setUpPhone, tap } from './fixtures/people'
import { Program, profile } from './fixtures/program'

const TARGET = 'emerald-ash-borer'
const PLAN_DAY = '2026-04-20'
const HUNG = '2026-05-12'
const VISIT_DAY = '2026-07-02'
// A picture of one red dot: what a photo is does not matter here, that it arrives does.
const PHOTO = Buffer.from('iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mP8z8BQDwAEhQGAhKmMIQAAAABJRU5ErkJggg==', 'base64')

test.use({ actionTimeout: 20_000, navigationTimeout: 30_000 })
let program: Program
test.beforeAll(() => {
  program = new Program('Millside County')
})
test.afterAll(async () => {
  await program.end()
})

async function load(page: Page, file: File): Promise<void> {
  await page.goto('/loading')
  await page.getByRole('combobox', { name: /^What/ }).selectOption(file.what)
  await page.locator('input[type=file]').setInputFiles({ name: file.name, mimeType: file.mimeType, buffer: Buffer.from(file.text) })
  await page.getByRole('button', { name: /^Write all/ }).click()
  await expect(page.getByRole('status').filter({ hasText: 'rows are written' })).toBeVisible({ timeout: 30_000 })
}

async function signIn(page: Page, person: string): Promise<void> {
  await page.goto('/')
  await page.getByLabel('Person (id)').fill(person)
  await page.getByLabel('Password').fill(PASSWORD)
  await page.getByRole('button', { name: 'Sign in', exact: true }).click()
  await expect(page.getByRole('heading', { level: 1, name: /This morning/ })).toBeVisible()
}

async function enrol(page: Page, person: string, role: string): Promise<void> {
  await page.goto('/people')
  await page.getByRole('button', { name: 'Enrol a person' }).click()
  await page.getByLabel(/^Id/).fill(person)
  await page.getByLabel(/^First day/).fill('2026-01-01')
  await page.getByRole('checkbox', { name: role, exact: true }).check()
  await page.getByRole('button', { name: 'Save', exact: true }).click()
  await expect(page.getByText(`${person} is enrolled.`)).toBeVisible()
}

const linkOf = async (page: Page): Promise<string> => (await page.locator('p.link a').getAttribute('href')) ?? ''

test('a season from the empty file to a find', async ({ browser }) => {
  test.setTimeout(400_000)
  await program.serve(PLAN_DAY)
  const lead = await desk(browser, program)
  let inspectorLink = ''
  let identifierLink = ''

  await test.step('the first person chooses a password', async () => {
    await lead.goto(program.firstRun)
    await lead.getByLabel('Person (id)').fill('lead')
    await lead.getByLabel('New password').fill(PASSWORD)
    await lead.getByLabel('The same again').fill(PASSWORD)
    await lead.getByRole('button', { name: 'Begin' }).click()
    await expect(lead.getByRole('link', { name: 'Loading' })).toBeVisible()
  })

  await test.step('the county is loaded', async () => {
    for (const file of county(profile(TARGET))) await load(lead, file)
    // A file that is wrong is shown to be so, and nothing is written.
    await lead.goto('/loading')
    await lead.getByRole('combobox', { name: /^What/ }).selectOption('hosts')
    await lead.locator('input[type=file]').setInputFiles({ name: 'bad.csv', mimeType: 'text/csv', buffer: Buffer.from('label,species,lat,lon\nX-1,Fraxinus americana,-93.60,40.19\n') })
    await expect(lead.getByText(/swapped/).first()).toBeVisible()
    await lead.getByRole('button', { name: 'Leave it' }).click()
    expect(program.log('hosts-loaded')).toHaveLength(1)
  })

  let places: { label: string; lat: number; lon: number }[] = []
  await test.step('a plan is asked for and adopted', async () => {
    await lead.goto('/plan')
    await lead.getByLabel('Traps', { exact: true }).fill('6')
    await lead.getByRole('button', { name: 'Search' }).click()
    await lead.getByRole('button', { name: /^Open / }).first().click({ timeout: 60_000 })
    await lead.getByRole('button', { name: 'Adopt this plan' }).first().click()
    const dialog = lead.getByRole('dialog')
    await dialog.getByLabel(/Reason/).fill('six traps are what one crew can keep')
    await dialog.getByRole('button', { name: 'Adopt this plan' }).click()
    await expect(lead.getByText(/^Adopted: entry/).first()).toBeVisible()
    const adopted = program.log('plan-adopted') as unknown as { places: { label: string; position: { lat: number; lon: number } }[] }[]
    places = (adopted[0]?.places ?? []).map((place) => ({ label: place.label, ...place.position }))
    expect(places).toHaveLength(6)
  })

  await test.step('people are enrolled, one is invited', async () => {
    await enrol(lead, 'p-1', 'inspector')
    await enrol(lead, 'p-2', 'identifier')
    await lead.getByRole('button', { name: 'Authority', exact: true }).click()
    await lead.getByRole('checkbox', { name: 'any target' }).check()
    await lead.getByLabel(/^Up to/).selectOption('confirmed')
    await lead.getByLabel(/^First day/).fill('2026-01-01')
    await lead.getByLabel(/^Vouched for by/).fill('lead')
    await lead.getByRole('button', { name: 'Grant it' }).click()
    await expect(lead.getByText('The authority is granted.')).toBeVisible()
    await lead.getByRole('button', { name: 'Invite to sign in' }).click()
    await lead.getByRole('button', { name: 'Make a code' }).click()
    identifierLink = await linkOf(lead)
  })

  await test.step('the invited person chooses a password', async () => {
    const page = await desk(browser, program)
    await page.goto(identifierLink)
    await page.getByLabel('New password').fill(PASSWORD)
    await page.getByLabel('The same again').fill(PASSWORD)
    await page.getByRole('button', { name: 'Set the password and sign in' }).click()
    await expect(page.getByRole('heading', { level: 1, name: /This morning/ })).toBeVisible()
    await page.context().close()
  })

  await test.step('the traps hang', async () => {
    await program.serve(HUNG)
    await lead.goto('/')
    await load(lead, traps(places, TARGET, HUNG))
    await lead.goto('/morning')
    await expect(lead.getByText(/6\s*traps out/)).toBeVisible()
  })

  await program.serve(VISIT_DAY)
  const context = await browser.newContext(phoneOptions(program, { latitude: places[0]?.lat ?? 0, longitude: places[0]?.lon ?? 0 }))
  await onDay(context, VISIT_DAY)
  const phone = await context.newPage()

  await test.step('a phone is enrolled by its code', async () => {
    await lead.goto('/people?view=devices')
    await lead.getByLabel('Who holds it (person id)').fill('p-1')
    await lead.getByRole('button', { name: 'Make a code' }).click()
    inspectorLink = await linkOf(lead)
    await setUpPhone(phone, inspectorLink)
    await expect(phone.getByText(/of 6 stops done/)).toBeVisible()
  })

  await test.step('a day without a network: visits, a suspect with its photo, a reload', async () => {
    await context.setOffline(true)
    await plainStop(phone, 'T-1')
    await plainStop(phone, 'T-2')
    await openTrap(phone, 'T-3')
    await tap(phone, 'Yes: I read its number')
    await tap(phone, 'There, and working')
    await tap(phone, 'Looked: suspect found')
    await phone.getByLabel('Number on the pre-printed label').fill('EW-0007')
    await phone.locator('#q-suspects input[type=file]').setInputFiles({ name: 'beetle.png', mimeType: 'image/png', buffer: PHOTO })
    await expect(phone.locator('#q-suspects img')).toBeVisible()
    await renewNothing(phone)
    await phone.getByRole('button', { name: 'Save', exact: true }).click()
    await expect(phone.getByRole('heading', { level: 1, name: 'Today' })).toBeVisible()
    await expect(phone.getByText(/unsent/).first()).toBeVisible()
    await phone.reload()
    await expect(phone.getByText('3 of 6 stops done').first()).toBeVisible()
    await phone.getByRole('link', { name: 'End of day' }).click()
    await phone.getByLabel('To whom (id)').fill('p-2')
    await phone.getByRole('button', { name: 'Write the hand-over down' }).click()
    await expect(phone.getByText('Nothing is in your box.')).toBeVisible()
    expect(program.log('visit-made')).toHaveLength(0)
  })

  await test.step('with a network again, all of it arrives', async () => {
    await context.setOffline(false)
    await phone.goto('/phone/unsent')
    await expect(phone.getByText('Everything on this phone has arrived at the office.')).toBeVisible({ timeout: 30_000 })
    expect(program.log('visit-made').map((visit) => visit['trap'])).toEqual(['T-1', 'T-2', 'T-3'])
    expect(program.log('specimen-taken')).toHaveLength(1)
    expect(program.log('specimens-offered')).toHaveLength(1)
  })

  const bench = await desk(browser, program)
  await test.step('the specimen is accepted and named', async () => {
    await signIn(bench, 'p-2')
    await bench.goto('/bench/EW-0007')
    await expect(bench.getByRole('img', { name: /Photo 1 of 1/ })).toBeVisible()
    await bench.getByRole('button', { name: 'Accept', exact: true }).click()
    await bench.getByLabel(/^Containers that came in/).fill('1')
    await bench.locator('form').getByRole('button', { name: 'Accept', exact: true }).click()
    await expect(bench.getByText('Answered.')).toBeVisible()
    await bench.getByRole('button', { name: 'Give an opinion' }).click()
    await bench.getByLabel(/^How sure/).first().selectOption('confirmed')
    await bench.getByRole('checkbox', { name: /Looked for the mark/ }).check()
    await bench.getByRole('button', { name: 'Give this opinion' }).click()
    await expect(bench.getByText('Your opinion is written down.')).toBeVisible()
  })

  await test.step('the find stands on the morning page, in the assurance and on the map', async () => {
    await lead.goto('/morning')
    await expect(lead.getByText(/trap T-3/).first()).toBeVisible()
    await lead.goto('/assurance')
    await expect(lead.getByText(/was found in Millside on 2 Jul 2026 and confirmed/)).toBeVisible({ timeout: 60_000 })
    const finds = await lead.request.get(`/api/1/map/finds.geojson?target=${TARGET}&on=${VISIT_DAY}`)
    expect(((await finds.json()) as { features: unknown[] }).features).toHaveLength(1)
    await lead.goto('/map')
    await expect(lead.locator('canvas').first()).toBeVisible()
  })

  await test.step('the journal is sound, and says who did what', async () => {
    await lead.goto('/journal?view=verify')
    await lead.getByRole('button', { name: 'Verify now' }).click()
    await expect(lead.getByText(/The journal is sound/)).toBeVisible({ timeout: 60_000 })
  })

  await test.step('every screen can be used by everybody', async () => {
    const screens = ['morning', 'rounds', 'bench', 'bench/EW-0007', 'map', 'plan', 'assurance', 'season', 'trees', 'stores', 'journal', 'people', 'loading', 'settings']
    const wrong: string[] = []
    for (const [width, height] of [[1280, 800], [390, 844]] as const) {
      await lead.setViewportSize({ width, height })
      for (const screen of screens) {
        await lead.goto(`/${screen}`)
        await lead.waitForLoadState('networkidle')
        const { violations } = await new AxeBuilder({ page: lead }).analyze()
        wrong.push(...violations.map((v) => `/${screen} at ${width}: ${v.id}: ${v.nodes.map((n) => n.html.slice(0, 120)).join(' | ')}`))
        const over = await lead.evaluate(() => document.documentElement.scrollWidth - innerWidth)
        if (over > 0) wrong.push(`/${screen} at ${width}: ${over} px wider than the screen`)
      }
    }
    for (const screen of ['', '/box', '/settings', '/unsent', '/tree', '/suspect', '/stop/T-4']) {
      await phone.goto(`/phone${screen}`)
      await phone.waitForLoadState('networkidle')
      const { violations } = await new AxeBuilder({ page: phone }).analyze()
      wrong.push(...violations.map((v) => `/phone${screen}: ${v.id}: ${v.nodes.map((n) => n.html.slice(0, 120)).join(' | ')}`))
    }
    expect(wrong).toEqual([])
  })
})
