// The desk's screens with invented answers: they hold together, can be used without a mouse and with a screen reader, and
// write the entries that the journal's schemas say.

import AxeBuilder from '@axe-core/playwright'
import { expect, type Page, type Route, test } from '@playwright/test'
import { answer, type Answers } from './fixtures/base'
import { conflicts, deskAnswers, entries, people, preview, quietMorning } from './fixtures/desk'

const SCREENS: [name: string, path: string, ready: string][] = [
  ['morning', '/', 'How sure we are'], ['bench', '/bench', 'Inserts to screen'], ['specimen', '/bench/26-0421', 'What to do'], ['labels', '/bench?view=labels', 'A series of new numbers'],
  ['take', '/bench?view=new', 'Take in a specimen'], ['trees', '/trees', 'could not look'], ['tree-form', '/trees?view=record', 'Was it looked at?'], ['stores', '/stores', 'freezer 2'], ['lot', '/stores/L-7', 'Where it hung'],
  ['journal', '/journal', 'T-502'], ['entry', `/journal/${entries[0]?.entry}`, 'What it says'], ['conflicts', '/journal?view=conflicts', 'trap T-117'], ['month', '/journal?view=month', 'Pending specimens'], ['verify', '/journal?view=verify', 'Verify now'],
  ['people', '/people', 'Tove Ashgrave'], ['devices', '/people?view=devices', 'this office'], ['crews', '/people?view=crews', 'crew-2'], ['own', '/people?view=own', 'You are'], ['loading', '/loading', 'Drop a file'], ['due', '/rounds?view=due', 'Print the round'],
  ['rounds', '/rounds', 'Minutes of each crew'], ['rounds-propose', '/rounds?view=propose', 'Crews that stay at home'], ['rounds-paper', '/rounds?view=paper', 'Safety sheet of a crew'], ['rounds-sheet', '/rounds?view=sheet&code=4A7C3', 'Write down all rows'],
]
const SIZES: [string, number, number][] = [['office', 1280, 800], ['phone', 390, 844]]
const shots = process.env['EARLYWOOD_SHOTS']

async function open(page: Page, path: string, answers: Answers = deskAnswers(), language: 'en' | 'es' = 'en'): Promise<void> {
  await page.addInitScript((l) => localStorage.setItem('earlywood-settings', JSON.stringify({ language: l, units: 'metric', hand: 'right' })), language)
  await answer(page, answers)
  await page.goto(path)
}

/** Answers /entries and keeps what was sent. */
function writing(kept: unknown[]): Answers {
  return { '/entries': async (route: Route) => {
    kept.push(route.request().postDataJSON())
    await route.fulfill({ json: { entry: '0197a000-0000-7000-8000-00000000aaaa', number: 7, receipts: [] } })
  } }
}

async function axe(page: Page): Promise<void> {
  const found = await new AxeBuilder({ page }).withTags(['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']).analyze()
  expect(found.violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.target.join(' ')).join(' | ')}`)).toEqual([])
}

for (const [size, width, height] of SIZES) {
  for (const [name, path, ready] of SCREENS) {
    test(`${name} at ${size} size`, async ({ page }) => {
      const errors: string[] = []
      page.on('pageerror', (e) => errors.push(e.message))
      await page.setViewportSize({ width, height })
      await open(page, path)
      await expect(page.getByText(ready).first()).toBeAttached()
      await page.waitForLoadState('networkidle')
      if (shots !== undefined) await page.screenshot({ path: `${shots}/${name}-${size}.png`, fullPage: true })
      const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth)
      expect(wide, 'nothing sticks out at the side').toBeLessThanOrEqual(0)
      await axe(page)
      expect(errors).toEqual([])
    })
  }
}

test('every screen in Spanish', async ({ page }) => {
  await open(page, '/', deskAnswers(), 'es')
  for (const [name, path] of SCREENS) {
    await page.goto(path)
    await page.waitForLoadState('networkidle')
    if (shots !== undefined) await page.screenshot({ path: `${shots}/${name}-es.png`, fullPage: true })
    await expect(page.locator('html')).toHaveAttribute('lang', 'es')
  }
})

test('a morning with nothing out says so and does not reassure', async ({ page }) => {
  await open(page, '/', deskAnswers(['lead'], { '/morning': quietMorning, '/devices': { devices: [] } }))
  await expect(page.getByText('No traps are out')).toBeVisible()
  await expect(page.getByText('Nothing is overdue')).toHaveCount(0)
})

test('overdue is ordered by what it costs and can be ordered otherwise', async ({ page }) => {
  await open(page, '/')
  const first = page.getByRole('table', { name: 'Overdue' }).getByRole('row').nth(1)
  await expect(first).toContainText('T-100')
  await page.getByRole('button', { name: 'Zone', exact: true }).click()
  await expect(first).toContainText('Eastbank')
})

test('a hand-over is accepted only after the containers were counted', async ({ page }) => {
  const kept: unknown[] = []
  await open(page, '/bench/26-0421', deskAnswers(['lead'], writing(kept)))
  await page.getByRole('button', { name: 'Accept', exact: true }).click()
  const form = page.getByRole('form', { name: 'Accept hand-over HO-31' })
  await form.getByRole('button', { name: 'Accept' }).click()
  await expect(form.getByLabel('Containers that came in')).toBeFocused()
  expect(kept).toEqual([])
  await form.getByLabel('Containers that came in').fill('2')
  await form.getByLabel('Seal').selectOption('whole')
  await form.getByRole('button', { name: 'Accept' }).click()
  await expect(page.getByText('Answered.')).toBeVisible()
  expect(kept).toEqual([{ kind: 'specimens-accepted', version: 1, body: { handover: 'HO-31', by: 'lead', containers: 2, seal_intact: true } }])
})

test('an opinion is sent as a determination of layout 2, and the refusal stands at its field', async ({ page }) => {
  const kept: unknown[] = []
  let refuse = true
  await open(page, '/bench/26-0421', deskAnswers(['identifier'], { '/entries': async (route: Route) => {
    kept.push(route.request().postDataJSON())
    if (refuse) await route.fulfill({ status: 422, json: { code: 'refused', words: 'lead may say no more than tentative', where: 'body.status' } })
    else await route.fulfill({ json: { entry: '0197a000-0000-7000-8000-00000000aaaa', number: 7 } })
  } }))
  await page.getByRole('button', { name: 'Give an opinion', exact: true }).click()
  const form = page.getByRole('form', { name: 'Give an opinion' })
  await form.getByLabel('How sure', { exact: true }).selectOption('confirmed')
  await form.getByLabel('Sex').selectOption('female')
  await form.getByLabel('Had mated').selectOption('no')
  await form.getByLabel('Scientific name').fill('Agrilus planipennis')
  await form.getByLabel('Looked for the mark').check()
  await form.getByLabel('This is the official').check()
  await form.getByRole('button', { name: 'Give this opinion' }).click()
  await expect(form.getByText('lead may say no more than tentative')).toBeVisible()
  await expect(form.getByLabel('How sure', { exact: true })).toBeFocused()
  await expect(form.getByLabel('Scientific name')).toHaveValue('Agrilus planipennis')
  refuse = false
  await form.getByRole('button', { name: 'Give this opinion' }).click()
  await expect(page.getByText('Your opinion is written down.')).toBeVisible()
  expect(kept.at(-1)).toEqual({ kind: 'determination', version: 2, body: { specimen: '26-0421', target: 'emerald-ash-borer', status: 'confirmed', by: 'lead', method: 'morphology', name: 'Agrilus planipennis', sex: 'female', mated: false, mark_checked: true, official: true } })
})

test('what is typed stays when the network is away', async ({ page }) => {
  await open(page, '/stores', deskAnswers(['clerk'], { '/entries': async (route: Route) => route.abort() }))
  await page.getByRole('button', { name: 'Record a movement' }).click()
  const form = page.getByRole('form', { name: 'Record a movement' })
  await form.getByLabel('Lot', { exact: true }).fill('L-9')
  await form.getByLabel('Pieces').fill('40')
  await form.getByRole('button', { name: 'Save' }).click()
  await expect(form.getByText('The server does not answer')).toBeVisible()
  await expect(form.getByLabel('Lot', { exact: true })).toHaveValue('L-9')
  await expect(form.getByLabel('Pieces')).toHaveValue('40')
})

test('looked-none must be said, and could-not-look needs a reason', async ({ page }) => {
  const kept: { body: Record<string, unknown> }[] = []
  await open(page, '/trees?view=record', deskAnswers(['inspector'], writing(kept)))
  await page.getByLabel('Tree\'s own label').fill('A-90')
  await page.getByLabel('trunk to 2 m').check()
  await page.getByRole('button', { name: 'Write it down' }).click()
  await expect(page.getByText('List the signs, or say that none was found.')).toBeVisible()
  expect(kept).toEqual([])
  await page.getByLabel('could not look').check()
  await page.getByRole('button', { name: 'Write it down' }).click()
  await expect(page.getByLabel('Why it could not be looked at')).toBeFocused()
  await page.getByLabel('Why it could not be looked at').fill('gate locked')
  await page.getByRole('button', { name: 'Write it down' }).click()
  await expect(page.getByText('Written down: A-90.')).toBeVisible()
  expect(kept[0]?.body).toMatchObject({ tree: 'A-90', looked: 'no', none_found: false, why_not: 'gate locked' })
  expect(kept[0]?.body).not.toHaveProperty('parts')
})

test('a correction sends the whole body with a reason', async ({ page }) => {
  const kept: unknown[] = []
  await open(page, `/journal/${entries[0]?.entry}`, deskAnswers(['clerk'], writing(kept)))
  await page.getByRole('button', { name: 'Put right' }).click()
  await page.getByLabel('why').fill('stolen')
  await page.getByLabel('why').blur()
  await expect(page.getByText('"lost"').last()).toBeVisible()
  await page.getByRole('button', { name: 'Write the correction' }).click()
  await expect(page.getByLabel('Reason')).toBeFocused()
  await page.getByLabel('Reason').fill('the neighbour saw it')
  await page.getByRole('button', { name: 'Write the correction' }).click()
  await expect(page.getByText('The correction is written down.')).toBeVisible()
  expect(kept).toEqual([{ kind: 'correction', version: 2, body: { corrects: entries[0]?.entry, reason: 'the neighbour saw it', change: { to: 'instead', version: 1, body: { trap: 'T-117', date: '2026-05-28', why: 'stolen' } } } }])
})

test('a conflict is settled with a reason', async ({ page }) => {
  const kept: unknown[] = []
  await open(page, '/journal?view=conflicts', deskAnswers(['supervisor'], writing(kept)))
  await page.getByRole('button', { name: 'Settle: trap T-117' }).click()
  await page.getByLabel('Decision').selectOption('withdraw')
  await page.getByLabel(/stop at trap T-502/).check()
  await page.getByLabel('Reason').fill('both phones recorded it')
  await page.getByRole('button', { name: 'Settle it' }).click()
  await expect(page.getByText('Settled: trap T-117.')).toBeVisible()
  expect(kept).toEqual([{ kind: 'conflict-settled', version: 1, body: { conflict: conflicts[0]?.id, decision: { is: 'withdraw', entries: [conflicts[0]?.entries[1]] }, reason: 'both phones recorded it' } }])
})

test('who lacks the right sees why', async ({ page }) => {
  await open(page, '/people', deskAnswers(['partner']))
  await expect(page.getByText('Enrol a person: that is for programme lead.')).toBeVisible()
  await expect(page.getByRole('button', { name: 'Enrol a person' })).toHaveCount(0)
})

test('erasing asks twice', async ({ page }) => {
  let erased = 0
  await open(page, '/people', deskAnswers(['lead'], { '/people/p-14/personal': async (route: Route) => { erased++; await route.fulfill({ json: { entry: people[0]?.person, number: 1 } }) } }))
  await page.getByRole('button', { name: 'Change p-14' }).click()
  await page.getByRole('button', { name: 'Erase', exact: true }).click()
  await page.getByRole('button', { name: 'Erase for ever' }).click()
  expect(erased).toBe(0)
  await page.getByLabel('Type p-14 to confirm').fill('p-14')
  await page.getByLabel('I know that it is gone').check()
  await page.getByRole('button', { name: 'Erase for ever' }).click()
  await expect(page.getByText('The personal data are erased.')).toBeVisible()
  expect(erased).toBe(1)
})

test('a phone is enrolled by a code that runs out', async ({ page }) => {
  await open(page, '/people?view=devices')
  await page.getByLabel('Who holds it').fill('p-14')
  await page.getByRole('button', { name: 'Make a code' }).click()
  await expect(page.getByText('KELP-7731', { exact: true })).toBeVisible()
  await expect(page.getByRole('timer')).toContainText('14:')
  await expect(page.getByRole('img', { name: 'QR code of the link for p-14' })).toBeVisible()
  if (shots !== undefined) await page.screenshot({ path: `${shots}/code-office.png`, fullPage: true })
  await axe(page)
})

test('a file is looked at before anything is written', async ({ page }) => {
  const kept: unknown[] = []
  await open(page, '/loading', deskAnswers(['clerk'], { [`/load/${preview.draft}/commit`]: async (route: Route) => { kept.push(route.request().postDataJSON()); await route.fulfill({ json: { written: 4211, left_out: 3 } }) } }))
  await page.getByLabel(/Drop a file/).setInputFiles({ name: 'trees-2026.csv', mimeType: 'text/csv', buffer: Buffer.from('label,species,lat,lon\n') })
  await expect(page.getByText('latitude and longitude look swapped')).toBeVisible()
  await expect(page.getByText('owner_phone')).toBeVisible()
  if (shots !== undefined) await page.screenshot({ path: `${shots}/preview-office.png`, fullPage: true })
  await axe(page)
  expect(kept).toEqual([])
  const download = page.waitForEvent('download')
  await page.getByRole('button', { name: 'Download the rejects as CSV' }).click()
  expect((await download).suggestedFilename()).toBe('trees-2026-rejects.csv')
  await page.getByLabel('Replace what was loaded before').check()
  await page.getByRole('button', { name: 'Write the 4,211 good rows only, in place of those before' }).click()
  await expect(page.getByText('4,211 rows are written, 3 left out.')).toBeVisible()
  expect(kept).toEqual([{ keep_good: true, replace: true }])
})

test('labels are printed in pairs', async ({ page }) => {
  await page.addInitScript(() => { window.print = () => { (window as unknown as { printed: number }).printed = document.querySelectorAll('.print-only .tag').length } })
  await open(page, '/bench?view=labels')
  await page.getByRole('textbox', { name: 'How many', description: 'At most 500.' }).fill('3')
  await page.getByRole('button', { name: 'Print the series' }).click()
  expect(await page.evaluate(() => (window as unknown as { printed: number }).printed)).toBe(6)
})

test('rounds are proposed, compared with those that hold, and adopted with a reason', async ({ page }) => {
  const asked: unknown[] = []
  await open(page, '/rounds?view=propose', deskAnswers(['supervisor'], {
    '/rounds/drafts/0197a000-0000-7000-8000-00000000dddd/adopt': async (route: Route) => {
      asked.push(route.request().postDataJSON())
      await route.fulfill({ json: { entry: '0197a000-0000-7000-8000-00000000aaaa', number: 7 } })
    },
  }))
  await page.getByLabel('Days', { exact: true }).fill('40')
  await page.getByRole('button', { name: 'Work out rounds' }).click()
  await expect(page.getByText('A number from 1 to 28.')).toBeVisible()
  await page.getByLabel('Days', { exact: true }).fill('1')
  await page.getByRole('button', { name: 'Work out rounds' }).click()
  await expect(page.getByText('Moved (1)')).toBeVisible()
  await expect(page.getByRole('heading', { name: 'Dropped (1)' })).toBeVisible()
  if (shots !== undefined) await page.screenshot({ path: `${shots}/rounds-draft.png`, fullPage: true })
  await axe(page)
  await page.getByRole('button', { name: 'Adopt these rounds' }).click()
  await page.getByRole('dialog').getByRole('textbox').fill('one crew short')
  await page.getByRole('dialog').getByRole('button', { name: 'Adopt these rounds' }).click()
  await expect(page.getByText('The rounds are adopted.')).toBeVisible()
  expect(asked).toEqual([{ reason: 'one crew short' }])
})

test('a sheet is typed in by keyboard alone; what is wrong stands at row and field, and nothing is lost', async ({ page }) => {
  await open(page, '/rounds?view=sheet')
  await page.getByLabel(/Code on the paper/).fill('4a7c4')
  await page.keyboard.press('Enter')
  await expect(page.getByText('One character is mistyped')).toBeVisible()
  await page.getByLabel(/Code on the paper/).fill('4a7-c3')
  await page.keyboard.press('Enter')
  await expect(page.getByLabel('Found, T-102')).toBeFocused()
  await page.keyboard.press('F9')
  await expect(page.getByLabel('Looked, T-102')).toHaveValue('fully')
  await expect(page.getByLabel('Lure, T-102')).toBeFocused()
  for (const text of ['y', '', 'y', '', '805', '0820', 'fine']) {
    await page.keyboard.type(text)
    await page.keyboard.press('Enter')
  }
  await expect(page.getByLabel('Found, T-103')).toBeFocused()
  const sent = page.waitForRequest((request) => request.method() === 'POST' && request.url().includes('/rounds/sheets/'))
  await page.keyboard.press('Control+Enter')
  const rows = ((await sent).postDataJSON() as { rows: Record<string, string>[] }).rows
  expect(rows[1]).toMatchObject({ stop: '2', found: 'working', looked: 'fully', suspects: '0', lure: 'yes', agent: 'yes', arrive: '08:05', leave: '08:20', note: 'fine' })
  await expect(page.getByText('Nothing was written. Problems: 1.')).toBeVisible()
  await expect(page.getByLabel('Suspects, T-102')).toBeFocused()
  if (shots !== undefined) await page.screenshot({ path: `${shots}/rounds-sheet-wrong.png`, fullPage: true })
  await axe(page)
  await expect(page.getByLabel('Note, T-102')).toHaveValue('fine')
})
