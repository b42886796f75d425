// The pictures of the README, taken of the demonstration as it is served. EARLYWOOD_PICTURES names the demonstration's folder.

import { copyFileSync } from 'node:fs'
import { join } from 'node:path'
import { expect, test } from '@playwright/test'
import { desk, LeadCalls, onDay, PASSWORD, phoneOptions, setUpPhone } from './fixtures/people'
import { Program } from './fixtures/program'

const demo = process.env['EARLYWOOD_PICTURES']
const MORNING = '2025-07-15'
const IMAGES = '../docs/images'

test('pictures of the demonstration', async ({ browser }) => {
  test.skip(demo === undefined, 'only where pictures are asked for')
  test.setTimeout(240_000)
  const program = new Program('Tarrowbend')
  for (const end of ['', '.key']) copyFileSync(join(demo ?? '', `at-work.earlywood${end}`), `${program.file}${end}`)
  await program.serve(MORNING)
  const lead = new LeadCalls(program)
  await lead.begin('lead-1')
  const page = await desk(browser, program)
  await page.goto('/')
  await page.getByLabel('Person (id)').fill('lead-1')
  await page.getByLabel('Password').fill(PASSWORD)
  await page.getByRole('button', { name: 'Sign in', exact: true }).click()
  await expect(page.getByRole('heading', { level: 1, name: /This morning/ })).toBeVisible()
  for (const screen of ['morning', 'map', 'assurance', 'bench']) {
    await page.goto(`/${screen}`)
    await page.waitForLoadState('networkidle', { timeout: 60_000 })
    await page.waitForTimeout(4_000)
    await page.screenshot({ path: `${IMAGES}/app-${screen}.png` })
  }
  const context = await browser.newContext(phoneOptions(program))
  await onDay(context, MORNING)
  const phone = await context.newPage()
  const { link } = await lead.post<{ link: string }>('/devices/code', { person: 'inspector-3' })
  await setUpPhone(phone, link)
  await phone.waitForTimeout(2_000)
  await phone.screenshot({ path: `${IMAGES}/app-phone.png` })
  await context.close()
  await program.end()
})
