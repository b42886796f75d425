// A round from the proposal to the paper that comes back, against the real program: proposed and adopted at a desk, seen on a phone
// in its order, typed in from its sheet.

import { readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import AxeBuilder from '@axe-core/playwright'
import { expect, test } from '@playwright/test'
import { desk, LeadCalls, onDay, PASSWORD, phoneOptions, setUpPhone } from './fixtures/people'
import { earlywood, Program } from './fixtures/program'

const DAY = '2026-06-18' // a Thursday
const shots = process.env['EARLYWOOD_SHOTS']
test.use({ actionTimeout: 20_000, navigationTimeout: 30_000 })
let program: Program

test.beforeAll(() => {
  program = new Program('Sedge Hollow')
  const load = (what: string, text: string): void => {
    const file = join(program.folder, `${what}.csv`)
    writeFileSync(file, text)
    earlywood('load', program.file, what, file)
  }
  // Along one road, labels against the way from the depot: what is nearest next is not what the labels say.
  load('traps', `trap,place,lat,lon,targets,hung\n${[5, 3, 1, 4, 2].map((n, i) => `T-${i + 1},P-${n},${40.2 + 0.02 * n},-93.6,emerald-ash-borer,2026-04-28`).join('\n')}\n`)
  for (const person of ['p-1', 'p-2']) earlywood('people', program.file, 'enrol', person, '--role', 'inspector', '--from', '2026-01-01')
  load('crews', 'label,lat,lon,starts,ends,break_minutes\ncrew-1,40.2,-93.6,07:00,15:00,0\n')
  load('access', 'label,directions,cautions\nP-1,Gate at the north end,dog in the yard\n')
})
test.afterAll(async () => {
  await program.end()
})

test('from a proposal to the paper that comes back', async ({ browser }) => {
  test.setTimeout(180_000)
  await program.serve(DAY)
  const calls = new LeadCalls(program)
  await calls.begin()
  await calls.post('/entries', { kind: 'crew-formed', version: 1, body: { crew: 'crew-1', people: ['p-1'], from: '2026-01-01' } })
  const lead = await desk(browser, program)
  await lead.setViewportSize({ width: 1440, height: 900 })
  await lead.goto('/rounds')
  await lead.getByLabel('Person (id)').fill('lead')
  await lead.getByLabel('Password').fill(PASSWORD)
  await lead.getByRole('button', { name: 'Sign in', exact: true }).click()
  await expect(lead.getByRole('button', { name: 'Sign in', exact: true })).toHaveCount(0)

  await test.step('nothing is adopted: what is due stands there', async () => {
    await lead.goto('/rounds')
    await expect(lead.getByText('No rounds are adopted for these days.')).toBeVisible()
    await expect(lead.getByText('5 of 5 stops picked.', { exact: false })).toBeVisible()
  })

  await test.step('rounds are proposed and adopted', async () => {
    await lead.getByRole('link', { name: 'Propose rounds' }).first().click()
    await lead.getByLabel('Days', { exact: true }).fill('1')
    await lead.getByRole('button', { name: 'Work out rounds' }).click()
    await lead.getByRole('button', { name: 'Adopt these rounds' }).click({ timeout: 60_000 })
    const dialog = lead.getByRole('dialog')
    await dialog.getByRole('textbox').fill('the day as usual')
    await dialog.getByRole('button', { name: 'Adopt these rounds' }).click()
    await expect(lead.getByText('The rounds are adopted.')).toBeVisible()
    await lead.getByRole('link', { name: 'Look at them' }).click()
    await expect(lead.getByText(/0 of 5 stops done/)).toBeVisible()
    if (shots !== undefined) await lead.screenshot({ path: `${shots}/real-rounds-office.png`, fullPage: true })
    const found = await new AxeBuilder({ page: lead }).withTags(['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']).analyze()
    expect(found.violations.map((v) => v.id)).toEqual([])
  })

  const [adopted] = program.log('rounds-adopted') as unknown as { rounds: { sheet: string; stops: { trap: string }[] }[] }[]
  const round = adopted?.rounds[0]
  const order = round?.stops.map((stop) => stop.trap) ?? []
  expect(order).toHaveLength(5)

  await test.step('the sheet is a PDF', async () => {
    const download = lead.waitForEvent('download')
    await lead.getByRole('button', { name: 'Round sheets (PDF)' }).click()
    const path = await (await download).path()
    expect(readFileSync(path).subarray(0, 5).toString()).toBe('%PDF-')
  })

  await test.step('the crew\'s phone has the stops in the round\'s order, with times and what to mind', async () => {
    const context = await browser.newContext(phoneOptions(program))
    await onDay(context, DAY)
    const phone = await context.newPage()
    const { link } = await calls.post<{ link: string }>('/devices/code', { person: 'p-1' })
    await setUpPhone(phone, link)
    const stops = phone.locator('ol.list a.stop strong')
    await expect(stops).toHaveCount(5)
    expect((await stops.allInnerTexts()).map((text) => text.trim())).toEqual(order)
    await expect(phone.getByText(/^Planned from \d\d:\d\d to \d\d:\d\d$/)).toBeVisible()
    if (shots !== undefined) await phone.screenshot({ path: `${shots}/real-rounds-phone.png`, fullPage: true })
    await phone.locator('a.stop', { hasText: 'P-1' }).click()
    await expect(phone.getByText('Gate at the north end')).toBeVisible()
    await expect(phone.getByText('dog in the yard')).toBeVisible()
    await context.close()
  })

  await test.step('its sheet is typed in by keyboard; the sign-in runs out, and nothing is lost', async () => {
    await lead.goto('/rounds?view=sheet')
    await lead.getByLabel(/Code on the paper/).fill((round?.sheet ?? '').toLowerCase())
    await lead.keyboard.press('Enter')
    for (const trap of order) {
      await expect(lead.getByLabel(`Found, ${trap}`)).toBeFocused()
      await lead.keyboard.press('F9')
      for (let i = 0; i < 7; i += 1) await lead.keyboard.press('Enter')
    }
    // The last row has no next field: the focus stays in its note.
    await expect(lead.getByLabel(`Note, ${order.at(-1)}`)).toBeFocused()
    await lead.getByLabel(`Came, ${order[1]}`).fill('940')
    await lead.getByLabel(`Left, ${order[1]}`).fill('930')
    await lead.keyboard.press('Control+Enter')
    await expect(lead.getByText('Nothing was written. Problems: 1.')).toBeVisible()
    await expect(lead.getByLabel(`Left, ${order[1]}`)).toBeFocused()
    expect(program.log('visit-made')).toHaveLength(0)
    await lead.getByLabel(`Left, ${order[1]}`).fill('955')
    await lead.context().clearCookies()
    await lead.keyboard.press('Control+Enter')
    const again = lead.getByRole('dialog')
    await again.getByLabel('Password').fill(PASSWORD)
    await again.getByRole('button', { name: 'Sign in', exact: true }).click()
    await expect(again).toHaveCount(0)
    await lead.getByRole('button', { name: 'Write down all rows' }).click()
    await expect(lead.getByText(`5 visits recorded from sheet ${round?.sheet}.`)).toBeVisible()
    expect(program.log('visit-made')).toHaveLength(5)
    await lead.goto(`/rounds?on=${DAY}`)
    await expect(lead.getByText(/5 of 5 stops done/)).toBeVisible()
  })
})
