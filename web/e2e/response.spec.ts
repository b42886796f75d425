// The response to a find: every part holds together at both sizes and in both languages, writes what the server asks for, and one
// is walked from the list to an adopted area against the real program.

import { writeFileSync } from 'node:fs'
import { join } from 'node:path'
import AxeBuilder from '@axe-core/playwright'
import { expect, type Page, test } from '@playwright/test'
import { answer, type Answers } from './fixtures/base'
import { deskAnswers } from './fixtures/desk'
import { desk, LeadCalls, PASSWORD } from './fixtures/people'
import { earlywood, profile, Program } from './fixtures/program'
import { path, responseAnswers } from './fixtures/response'

const TARGET = 'emerald-ash-borer'
const shots = process.env['EARLYWOOD_SHOTS']
const SCREENS: [name: string, path: string, ready: string][] = [
  ['list', '/response', 'Protocols'], ['find', path(), 'Whom to tell'], ['origin', path('origin'), 'In which order to search'], ['survey', path('survey'), 'On the map'], ['area', path('area'), 'All versions'],
  ['clock', path('clock'), 'Release clock'], ['report', path('report'), 'Versions as they were issued'], ['not-begun', path(undefined, '26-0500'), 'What could not be worked out'],
]

async function open(page: Page, to: string, answers: Answers = deskAnswers(['lead'], responseAnswers()), language: 'en' | 'es' = 'en'): Promise<void> {
  await page.addInitScript((l) => localStorage.setItem('earlywood-settings', JSON.stringify({ language: l, units: 'metric', hand: 'right' })), language)
  await answer(page, answers)
  await page.goto(to)
}

async function sound(page: Page): Promise<void> {
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth)
  expect(wide, 'nothing sticks out at the side').toBeLessThanOrEqual(0)
  const found = await new AxeBuilder({ page }).withTags(['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']).analyze()
  expect(found.violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.target.join(' ')).join(' | ')}`)).toEqual([])
}

for (const [size, width, height] of [['office', 1440, 900], ['phone', 390, 844]] as const) {
  for (const [name, to, ready] of SCREENS) {
    test(`${name} at ${size} size`, async ({ page }) => {
      const errors: string[] = []
      page.on('pageerror', (e) => errors.push(e.message))
      await page.setViewportSize({ width, height })
      await open(page, to)
      await expect(page.getByText(ready).first()).toBeAttached()
      await page.waitForLoadState('networkidle')
      if (shots !== undefined) await page.screenshot({ path: `${shots}/response-${name}-${size}.png`, fullPage: true })
      await sound(page)
      expect(errors).toEqual([])
    })
  }
}

test('every part in Spanish', async ({ page }) => {
  test.setTimeout(180_000)
  await open(page, '/response', deskAnswers(['lead'], responseAnswers()), 'es')
  for (const [width, height] of [[1440, 900], [390, 844]] as const) {
    await page.setViewportSize({ width, height })
    for (const [name, to] of SCREENS) {
      await page.goto(to)
      await page.waitForLoadState('networkidle')
      await expect(page.locator('main')).toContainText('Confidencial')
      if (shots !== undefined) await page.screenshot({ path: `${shots}/response-${name}-es-${width}.png`, fullPage: true })
      expect(await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth)).toBeLessThanOrEqual(0)
    }
  }
})

test('whoever may not answer a find reads whose it is, and nothing is asked of the server', async ({ page }) => {
  const asked: string[] = []
  page.on('request', (request) => asked.push(request.url()))
  await open(page, path(), deskAnswers(['partner'], responseAnswers()))
  await expect(page.getByText('Response: that is for programme lead, field supervisor.')).toBeVisible()
  expect(asked.filter((url) => url.includes('/responses'))).toEqual([])
})

test('a notice is marked as told, and a time to come is refused here', async ({ page }) => {
  const kept: { call: string; body: unknown }[] = []
  await open(page, path(), deskAnswers(['supervisor'], responseAnswers(kept)))
  await page.getByRole('button', { name: 'Mark as told: state partner' }).click()
  const form = page.getByRole('form', { name: 'Mark as told: state partner' })
  await form.getByLabel('When').fill('2031-01-01T10:00')
  await form.getByRole('button', { name: 'Mark as told' }).click()
  await expect(form.getByText('This time has not come yet.')).toBeVisible()
  await form.getByLabel('When').fill('')
  await form.getByLabel('What was said').fill('by telephone, the duty desk')
  await form.getByRole('button', { name: 'Mark as told' }).click()
  await expect(page.getByText('Written down: state partner was told.')).toBeVisible()
  expect(kept).toEqual([{ call: '/responses/trap:T-104 2026-05-21/steps/state-partner', body: { note: 'by telephone, the duty desk' } }])
})

test('a survey is laid out, looked at both ways, and one layout is adopted', async ({ page }) => {
  const kept: { call: string; body: unknown }[] = []
  await open(page, path('survey'), deskAnswers(['lead'], responseAnswers(kept)))
  await page.getByLabel('Traps of the optimised plan').fill('a few')
  await page.getByRole('button', { name: 'Lay it out' }).click()
  await expect(page.getByLabel('Traps of the optimised plan')).toBeFocused()
  await page.getByLabel('Traps of the optimised plan').fill('37')
  await page.getByRole('button', { name: 'Lay it out' }).click()
  const beside = page.getByRole('table', { name: 'Side by side' })
  await expect(beside.getByRole('row', { name: 'Share of the edge found' })).toContainText('0.840.91')
  await expect(page.getByText('Spots without a place (2)')).toBeVisible()
  await page.getByRole('button', { name: 'Rings', exact: true }).click()
  await expect(page.getByRole('img', { name: /Map of the survey, Rings/ })).toBeVisible()
  if (shots !== undefined) await page.screenshot({ path: `${shots}/response-survey-draft.png`, fullPage: true })
  await sound(page)
  const form = page.getByRole('form', { name: 'Adopt a layout' })
  await form.getByLabel('Until').fill('2026-01-01')
  await form.getByLabel('Why this one').fill('finds more of the edge')
  await form.getByRole('button', { name: 'Adopt it' }).click()
  await expect(form.getByText('This is before the first day.')).toBeVisible()
  await form.getByLabel('Until').fill('')
  await form.getByRole('button', { name: 'Adopt it' }).click()
  await expect(page.getByText('The survey is adopted.')).toBeVisible()
  expect(kept).toEqual([
    { call: '/responses/trap:T-104 2026-05-21/surveys', body: { traps: 37 } },
    { call: '/responses/surveys/draft-1/adopt', body: { method: 'optimised', from: '2026-05-29', reason: 'finds more of the edge' } },
  ])
})

test('an area that changed meanwhile is not adopted: the new one is shown, and needs a second word', async ({ page }) => {
  const kept: { call: string; body: unknown }[] = []
  await open(page, path('area'), deskAnswers(['lead'], responseAnswers(kept, 1)))
  const form = page.getByRole('form', { name: 'Adopt version 3' })
  await form.getByLabel('By order of').fill('an invented office, order 2')
  await form.getByLabel('Why').fill('a find in a tree')
  await form.getByRole('button', { name: 'Adopt this area' }).click()
  await expect(page.getByText('The area changed while you looked.')).toBeVisible()
  await expect(page.getByRole('table', { name: 'What it adds' })).toContainText('1,004')
  expect(kept).toEqual([])
  await form.getByRole('button', { name: 'Adopt this area' }).click()
  await expect(page.getByText('The area is adopted.')).toBeVisible()
  expect(kept).toEqual([{ call: '/responses/trap:T-104 2026-05-21/area', body: { from: '2026-05-29', authority: 'an invented office, order 2', reason: 'a find in a tree', hash: 'b'.repeat(64) } }])
})

test('ground drawn elsewhere is looked at before it is adopted; what is none is refused', async ({ page }) => {
  const kept: { call: string; body: unknown }[] = []
  await open(page, path('area'), deskAnswers(['lead'], responseAnswers(kept)))
  await page.getByText('An area drawn elsewhere').click()
  const file = page.locator('input[type=file]')
  await file.setInputFiles({ name: 'point.geojson', mimeType: 'application/geo+json', buffer: Buffer.from('{"type":"Point","coordinates":[9,48]}') })
  await expect(page.getByText('This is no GeoJSON with a polygon in it.')).toBeVisible()
  const geometry = { type: 'Polygon', coordinates: [[[9.08, 48.03], [9.12, 48.03], [9.12, 48.07], [9.08, 48.03]]] }
  await file.setInputFiles({ name: 'mine.geojson', mimeType: 'application/geo+json', buffer: Buffer.from(JSON.stringify(geometry)) })
  await expect(page.getByRole('img', { name: 'Map of mine.geojson' })).toBeVisible()
  const form = page.getByRole('form', { name: 'Adopt this ground' })
  await form.getByLabel('By order of').fill('an invented office, order 3')
  await form.getByLabel('Why', { exact: true }).fill('as the authority drew it')
  await form.getByRole('button', { name: 'Adopt this ground' }).click()
  await expect(page.getByText('The area is adopted.')).toBeVisible()
  expect(kept).toEqual([{ call: '/responses/trap:T-104 2026-05-21/area', body: { from: '2026-05-29', authority: 'an invented office, order 3', reason: 'as the authority drew it', geometry } }])
})

test('a report takes the words for what is missing, and goes out', async ({ page }) => {
  const kept: { call: string; body: unknown }[] = []
  await open(page, path('report'), deskAnswers(['lead'], responseAnswers(kept)))
  await expect(page.getByText('1 item is missing', { exact: false })).toBeVisible()
  await page.getByLabel('Your own words: Danger, or another reason to report').fill('Its hosts stand in every street.')
  await page.getByRole('button', { name: 'See the draft' }).click()
  await expect(page.getByText('Every item that the standard wants is there.')).toBeVisible()
  const form = page.getByRole('form', { name: 'Issue version 2' })
  await form.getByRole('button', { name: 'Issue it' }).click()
  await expect(form.getByLabel('To whom')).toBeFocused()
  await form.getByLabel('To whom').fill('an invented plant protection office')
  await form.getByLabel('This is the final report').check()
  await form.getByRole('button', { name: 'Issue it' }).click()
  await expect(page.getByText('Version 2 is issued.')).toBeVisible()
  expect(kept).toEqual([{ call: '/responses/trap:T-104 2026-05-21/report', body: { items: { danger: 'Its hosts stand in every street.' }, to: 'an invented plant protection office', final: true } }])
})

test('an issued version goes onto paper alone, and into the clipboard as plain text', async ({ page, context }) => {
  await context.grantPermissions(['clipboard-read', 'clipboard-write'])
  await page.addInitScript(() => {
    window.print = () => document.body.setAttribute('data-printed', document.querySelector('body > .print-only')?.textContent ?? '')
  })
  await open(page, path('report'))
  await page.locator('summary', { hasText: 'Version 1, 26 May 2026' }).click()
  await page.getByRole('button', { name: 'Print version 1' }).click()
  await expect(page.locator('body')).toHaveAttribute('data-printed', /Pest report: Emerald ash borer.*Agrilus planipennis/)
  await expect(page.locator('body > .print-only')).toHaveCount(0)
  await page.getByRole('button', { name: 'Copy version 1' }).click()
  await expect(page.getByText('Copied.')).toBeVisible()
  const text = await page.evaluate(() => navigator.clipboard.readText())
  expect(text).toContain('Lacks: Danger, or another reason to report\n\nPest, scientific name\nAgrilus planipennis')
  await sound(page)
})

test('from the list to an adopted area, with the real program', async ({ browser }) => {
  test.setTimeout(240_000)
  const program = new Program('Sedge Hollow')
  try {
    const load = (what: string, name: string, text: string): void => {
      const file = join(program.folder, name)
      writeFileSync(file, text)
      earlywood('load', program.file, what, file)
    }
    // A street of ash, a trap in the middle of it, and what that caught. There is no weather: what rests on it is lacking.
    load('targets', 'target.toml', profile(TARGET))
    load('hosts', 'hosts.csv', `label,species,lat,lon,dbh_cm\n${Array.from({ length: 30 }, (_, n) => `A-${n},Fraxinus,44,${(-100 + 0.00015 * n).toFixed(5)},30`).join('\n')}\n`)
    load('traps', 'traps.csv', `trap,place,lat,lon,targets,hung\nT-1,P-1,44.0002,-99.9985,${TARGET},2026-05-01\n`)
    await program.serve('2026-05-28')
    const calls = new LeadCalls(program)
    await calls.begin()
    await calls.post('/entries', { kind: 'authority-granted', version: 1, body: { person: 'lead', taxa: ['*'], up_to: 'confirmed', from: '2026-01-01', granted_by: 'letter 1' } })
    for (const status of ['suspect', 'confirmed']) {
      await calls.post('/entries', { kind: 'determination', version: 1, body: { trap: 'T-1', date: '2026-05-20', target: TARGET, status, by: 'lead' } })
    }
    const lead = await desk(browser, program)
    await lead.setViewportSize({ width: 1440, height: 900 })
    await lead.goto('/response')
    await lead.getByLabel('Person (id)').fill('lead')
    await lead.getByLabel('Password').fill(PASSWORD)
    await lead.getByRole('button', { name: 'Sign in', exact: true }).click()

    await test.step('a protocol is adopted, and the response opened', async () => {
      await expect(lead.getByText('Adopt a protocol for this target first.')).toBeVisible()
      await lead.getByRole('button', { name: 'Adopt the protocol for Emerald ash borer' }).click()
      await lead.getByRole('dialog').getByRole('button', { name: 'Adopt', exact: true }).click()
      await expect(lead.getByText('The protocol is adopted.')).toBeVisible()
      await lead.getByRole('button', { name: 'Open a response to trap:T-1 2026-05-20' }).click()
      const dialog = lead.getByRole('dialog')
      await dialog.getByRole('textbox').fill('one beetle, confirmed')
      await dialog.getByRole('button', { name: 'Open a response' }).click()
      await expect(lead.getByRole('heading', { level: 1, name: 'Find trap:T-1 2026-05-20' })).toBeVisible()
      await expect(lead.getByText('What could not be worked out')).toBeVisible({ timeout: 60_000 })
      expect(program.log('response-opened')).toHaveLength(1)
    })

    await test.step('the lead is told', async () => {
      await lead.getByRole('button', { name: 'Mark as told: programme lead' }).click()
      await lead.getByRole('form', { name: 'Mark as told: programme lead' }).getByRole('button', { name: 'Mark as told' }).click()
      await expect(lead.getByText('Written down: programme lead was told.')).toBeVisible()
      expect(program.log('response-step-done')).toMatchObject([{ find: 'trap:T-1 2026-05-20', step: 'lead' }])
    })

    await test.step('the area that is seen is adopted, and stands among the versions', async () => {
      await lead.getByRole('link', { name: 'Area', exact: true }).click()
      const form = lead.getByRole('form', { name: 'Adopt version 1' })
      await form.getByLabel('By order of').fill('an invented office, order 1', { timeout: 60_000 })
      await form.getByLabel('Why').fill('one beetle in the street')
      await form.getByRole('button', { name: 'Adopt this area' }).click()
      await expect(lead.getByText('The area is adopted.')).toBeVisible({ timeout: 60_000 })
      await expect(lead.getByRole('table', { name: 'All versions' }).getByRole('row', { name: /Version 1/ })).toContainText('holds')
      expect(program.log('area-drawn')).toMatchObject([{ version: 1, authority: 'an invented office, order 1', reason: 'one beetle in the street', finds: ['trap:T-1 2026-05-20'] }])
      await lead.goto('/response')
      await expect(lead.getByRole('table', { name: 'Responses' }).getByRole('row', { name: /trap:T-1/ })).toContainText('version 1')
    })
  } finally {
    await program.end()
  }
})
