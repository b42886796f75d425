// The phone dies in the middle of a save. What it had said was saved is there afterwards, each once, and goes to the office.

import { mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { chromium, expect, test, type BrowserContext, type Page } from '@playwright/test'
import { LeadCalls, phoneOptions, setUpPhone, tap } from './fixtures/people'
import { earlywood, Program } from './fixtures/program'

const KILLS = Number(process.env['EARLYWOOD_BROWSER_KILLS'] ?? 10)
const TRAPS = 60
test.use({ actionTimeout: 20_000, navigationTimeout: 30_000 })
let program: Program
let profile: string

test.beforeAll(() => {
  program = new Program('Dying phone')
  const today = new Date().toISOString().slice(0, 10)
  const rows = Array.from({ length: TRAPS }, (_, i) => `T-${i + 1},P-${i + 1},40.2${String(i).padStart(2, '0')},-93.6,emerald-ash-borer,2026-05-12`)
  const file = join(program.folder, 'traps.csv')
  writeFileSync(file, `trap,place,lat,lon,targets,hung\n${rows.join('\n')}\n`)
  earlywood('load', program.file, 'traps', file)
  earlywood('people', program.file, 'enrol', 'p-1', '--role', 'inspector', '--from', '2026-01-01')
  profile = mkdtempSync(join(tmpdir(), 'earlywood-phone-'))
  expect(today > '2026-05-12').toBe(true)
})
test.afterAll(async () => {
  await program.end()
  rmSync(profile, { recursive: true, force: true })
})

/** The phone is switched on: the same profile, so the same storage. */
async function on(): Promise<BrowserContext> {
  const args = ['--no-sandbox', '--use-gl=angle', '--use-angle=swiftshader']
  return chromium.launchPersistentContext(profile, { ...phoneOptions(program), executablePath: process.env['CHROMIUM'] ?? '/usr/bin/chromium', args })
}

/** Kills the browser at once, as a battery that falls out does: only the processes that run on this profile. */
function pullTheBattery(): number {
  let killed = 0
  for (const pid of readdirSync('/proc').filter((name) => /^\d+$/.test(name))) {
    let command = ''
    try {
      command = readFileSync(`/proc/${pid}/cmdline`, 'utf8')
    } catch {
      continue
    }
    if (!command.includes(`--user-data-dir=${profile}`)) continue
    try {
      process.kill(Number(pid), 'SIGKILL')
      killed += 1
    } catch {
      // It has ended by itself.
    }
  }
  return killed
}

/** Fills a stop's form up to its last tap. */
async function filled(page: Page, trap: string): Promise<void> {
  await page.goto(`/phone/stop/${trap}`)
  await tap(page, 'Yes: I read its number')
  await tap(page, 'There, and working')
  await tap(page, 'Looked: nothing caught')
  await tap(page, /^\s*(Nothing renewed|Nothing was due, nothing renewed)\s*$/)
}

/** Hears what the page says was saved, while it can still be heard. */
function listen(page: Page, acknowledged: Set<string>): void {
  page.on('console', (message) => {
    const said = /^acknowledged (T-\d+)$/.exec(message.text())
    if (said?.[1] !== undefined) acknowledged.add(said[1])
  })
}

test(`${KILLS} deaths in the middle of a save lose nothing that was acknowledged`, async () => {
  test.setTimeout(60_000 + KILLS * 30_000)
  await program.serve(new Date().toISOString().slice(0, 10))
  const lead = new LeadCalls(program)
  await lead.begin()
  const acknowledged = new Set<string>()
  let context = await on()
  const { link } = await lead.post<{ link: string }>('/devices/code', { person: 'p-1' })
  await setUpPhone(context.pages()[0] ?? (await context.newPage()), link)
  let inTime = 0
  for (let kill = 1; kill <= KILLS; kill++) {
    await context.setOffline(true)
    const page = await context.newPage()
    await page.addInitScript(() => {
      const tell = (): void => {
        const said = /Saved on this phone: (T-\d+)/.exec(document.body?.textContent ?? '')
        if (said !== null) console.log(`acknowledged ${said[1]}`)
      }
      addEventListener('DOMContentLoaded', () => new MutationObserver(tell).observe(document.body, { subtree: true, childList: true, characterData: true }))
    })
    listen(page, acknowledged)
    await filled(page, `T-${kill}`)
    // From before the write begins until after it was said to be done.
    const wait = Math.random() * 250
    const tapped = page.getByRole('button', { name: 'Save', exact: true }).evaluate((button: HTMLElement) => button.click()).catch(() => undefined)
    await new Promise((done) => setTimeout(done, wait))
    expect(pullTheBattery()).toBeGreaterThan(0)
    await tapped
    if (acknowledged.has(`T-${kill}`)) inTime += 1
    await context.close().catch(() => undefined)
    for (const lock of ['SingletonLock', 'SingletonCookie', 'SingletonSocket']) rmSync(join(profile, lock), { force: true })
    context = await on()
    await context.setOffline(true)
    const after = await context.newPage()
    await after.goto('/phone')
    await expect(after.getByRole('heading', { level: 1, name: 'Today' })).toBeVisible()
    const unsent = Number(/(\d+) unsent/.exec(await after.locator('header').first().innerText())?.[1] ?? 0)
    expect(unsent, `after death ${kill}`).toBeGreaterThanOrEqual(acknowledged.size)
    expect(unsent, `after death ${kill}`).toBeLessThanOrEqual(kill)
    await after.close()
  }
  console.log(`${KILLS} kills, ${inTime} of them after the phone had said "saved", ${acknowledged.size} visits acknowledged`)
  await context.setOffline(false)
  const page = await context.newPage()
  await page.goto('/phone/unsent')
  await expect(page.getByText('Everything on this phone has arrived at the office.')).toBeVisible({ timeout: 30_000 })
  await context.close()
  const arrived = program.log('visit-made').map((visit) => String(visit['trap']))
  expect(new Set(arrived).size, 'each visit once').toBe(arrived.length)
  for (const trap of acknowledged) expect(arrived).toContain(trap)
  await program.stop()
  earlywood('journal', program.file, 'verify')
})
