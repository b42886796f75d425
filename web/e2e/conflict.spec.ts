// Two people, one trap, no network between them: nothing is lost, nothing is settled in silence.

import { writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { expect, test, type Page } from '@playwright/test'
import { desk, LeadCalls, onDay, openTrap, PASSWORD, phoneOptions, plainStop, setUpPhone, tap } from './fixtures/people'
import { earlywood, Program } from './fixtures/program'

const DAY = '2026-06-18'
test.use({ actionTimeout: 20_000, navigationTimeout: 30_000 })
let program: Program

test.beforeAll(() => {
  program = new Program('Two phones')
  const file = join(program.folder, 'traps.csv')
  writeFileSync(file, 'trap,place,lat,lon,targets,hung\nT-1,P-1,40.2,-93.6,emerald-ash-borer,2026-05-12\nT-2,P-2,40.201,-93.6,emerald-ash-borer,2026-05-12\n')
  earlywood('load', program.file, 'traps', file)
  for (const person of ['p-1', 'p-2']) earlywood('people', program.file, 'enrol', person, '--role', 'inspector', '--from', '2026-01-01')
})
test.afterAll(async () => {
  await program.end()
})

test('what two phones did to one trap is listed, and settled by a person', async ({ browser }) => {
  test.setTimeout(180_000)
  await program.serve(DAY)
  const lead = new LeadCalls(program)
  await lead.begin()
  const phones: Page[] = []
  // The second crew is out a day later: a trap may be visited on the very day it is taken down.
  for (const [person, day] of [['p-1', DAY], ['p-2', '2026-06-19']] as const) {
    const context = await browser.newContext(phoneOptions(program))
    await onDay(context, day)
    const page = await context.newPage()
    const { link } = await lead.post<{ link: string }>('/devices/code', { person })
    await setUpPhone(page, link)
    await context.setOffline(true)
    phones.push(page)
  }
  const [first, second] = phones as [Page, Page]

  await test.step('the first crew takes the trap down', async () => {
    await openTrap(first, 'T-1')
    await tap(first, 'Yes: I read its number')
    await tap(first, 'There, and working')
    await tap(first, 'Looked: nothing caught')
    await tap(first, /^\s*(Nothing renewed|Nothing was due, nothing renewed)\s*$/)
    await first.getByText('More to say').click()
    await tap(first, 'It is taken down for good')
    await first.getByRole('button', { name: 'Save', exact: true }).click()
    await expect(first.getByRole('heading', { level: 1, name: 'Today' })).toBeVisible()
  })
  await test.step('the second crew, who can\'t know, visits it', async () => {
    await plainStop(second, 'T-1')
    await plainStop(second, 'T-2')
  })
  await program.serve('2026-06-20')
  for (const page of phones) {
    await page.context().setOffline(false)
    await page.goto('/phone/unsent')
    await expect(page.getByText('Everything on this phone has arrived at the office.')).toBeVisible({ timeout: 30_000 })
  }
  expect(program.log('visit-made')).toHaveLength(3)

  const page = await desk(browser, program)
  await test.step('the conflict is listed, and settled', async () => {
    await page.goto('/')
    await page.getByLabel('Person (id)').fill('lead')
    await page.getByLabel('Password').fill(PASSWORD)
    await page.getByRole('button', { name: 'Sign in', exact: true }).click()
    await expect(page.getByRole('heading', { level: 1, name: /This morning/ })).toBeVisible()
    await page.goto('/journal?view=conflicts')
    await expect(page.getByRole('heading', { name: 'trap:T-1' })).toBeVisible()
    await page.getByRole('button', { name: 'Settle: trap:T-1' }).click()
    await page.getByLabel(/^Decision/).selectOption('withdraw')
    await page.getByRole('checkbox').last().check()
    await page.getByLabel(/^Reason/).fill('the second crew stood at the trap next to it')
    await page.getByRole('button', { name: 'Settle it' }).click()
    await expect(page.getByRole('heading', { name: 'trap:T-1' })).toHaveCount(0)
  })
  expect(program.log('conflict-settled')).toHaveLength(1)
  await program.stop()
  expect(earlywood('journal', program.file, 'verify')).toContain('holds')
})
