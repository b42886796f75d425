import AxeBuilder from '@axe-core/playwright'
import { expect, test, type Page } from '@playwright/test'
import { answer } from './fixtures/base'
import { mapAnswers } from './fixtures/map'
import { planAnswers, type PlanLog } from './fixtures/plan'

async function open(page: Page): Promise<PlanLog> {
  const { answers, log } = planAnswers()
  await answer(page, mapAnswers(50), answers)
  await page.goto('/plan')
  await page.getByRole('button', { name: 'Open Hanging now' }).click()
  await expect(page.getByRole('heading', { name: 'Hanging now' })).toBeVisible()
  await page.waitForTimeout(2_000)
  return log
}

async function faults(page: Page): Promise<string[]> {
  const { violations } = await new AxeBuilder({ page }).analyze()
  return violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.html).join(' | ')}`)
}

test('a trap is moved by mouse and by keys, and the effect follows with one question at a time', async ({ page }) => {
  const errors: string[] = []
  page.on('pageerror', (e) => errors.push(e.message))
  const log = await open(page)
  await page.screenshot({ path: 'e2e/.shots/plan-draft.png' })
  await page.getByRole('button', { name: 'P-15', exact: true }).click()
  await page.waitForTimeout(900)
  // The chosen trap is in the middle of the map now.
  const box = (await page.locator('canvas.maplibregl-canvas').boundingBox())!
  const [x, y] = [box.x + box.width / 2, box.y + box.height / 2]
  await page.mouse.move(x, y)
  await page.mouse.down()
  for (let i = 1; i <= 12; i++) await page.mouse.move(x + i * 8, y + i * 4)
  await page.mouse.up()
  await expect(page.getByText('Changed in one place and not kept yet.')).toBeVisible()
  await expect.poll(() => log.asks.at(-1)?.draws).toBe(200)
  expect(log.asks.some((a) => a.draws === 0 && a.moved.length === 1)).toBe(true)
  expect(log.most).toBe(1)
  await expect(page.getByText(/stands on Tarn School/).last()).toBeVisible()
  await page.waitForTimeout(600)
  await page.screenshot({ path: 'e2e/.shots/plan-moved.png' })

  const before = log.asks.at(-1)?.moved[0]?.lat ?? 0
  await page.getByRole('button', { name: 'Move with the arrow keys' }).focus()
  await page.keyboard.press('ArrowUp')
  // The last question before this one asked for as many draws: the step north is what tells them apart.
  const north = () => Math.round(((log.asks.at(-1)?.moved[0]?.lat ?? 0) - before) * 111_195)
  await expect.poll(north).toBe(10)
  await expect.poll(() => log.asks.at(-1)?.draws).toBe(200)

  await page.getByRole('button', { name: 'Undo', exact: true }).click()
  await page.getByRole('button', { name: 'Undo everything' }).click()
  await expect(page.getByText('As it was made.')).toBeVisible()
  expect(errors).toEqual([])
})

test('leaving a changed draft asks; nothing is written until a plan is adopted with a reason', async ({ page }) => {
  const log = await open(page)
  await page.getByRole('button', { name: 'P-15', exact: true }).click()
  await page.getByRole('button', { name: 'Take it out' }).click()
  await page.getByRole('link', { name: 'Morning' }).click()
  await expect(page.getByRole('dialog', { name: 'The changes are not kept yet' })).toBeVisible()
  await page.getByRole('button', { name: 'Stay here' }).click()
  expect(log.posted).toEqual([])
  await page.getByRole('button', { name: 'Adopt this plan' }).click()
  const dialog = page.getByRole('dialog')
  await expect(dialog.getByRole('button', { name: 'Adopt this plan' })).toBeDisabled()
  await dialog.getByLabel('Reason').fill('the school yard is closed this year')
  await dialog.getByRole('button', { name: 'Adopt this plan' }).click()
  await expect(page.getByText('Adopted: entry 41223.').last()).toBeVisible()
  expect(log.posted.at(-1)).toEqual({ reason: 'the school yard is closed this year' })
  expect(log.posted).toHaveLength(2)
})

test('two drafts are compared as a difference and side by side', async ({ page }) => {
  const errors: string[] = []
  page.on('pageerror', (e) => errors.push(e.message))
  const { answers } = planAnswers()
  await answer(page, mapAnswers(50), answers)
  await page.goto('/plan')
  await page.getByRole('button', { name: 'Compare two drafts' }).click()
  await expect(page.getByText('Places in both: 35.', { exact: false })).toBeVisible()
  await page.waitForTimeout(2_500)
  await page.screenshot({ path: 'e2e/.shots/plan-difference.png' })
  expect(await faults(page)).toEqual([])
  await page.getByRole('combobox', { name: 'Show' }).selectOption('side')
  await page.waitForTimeout(2_500)
  await page.screenshot({ path: 'e2e/.shots/plan-side.png' })
  await page.getByRole('combobox', { name: 'Show' }).selectOption('difference')
  await page.waitForTimeout(500)
  expect(errors).toEqual([])
})

test('the plan screens have no accessibility faults', async ({ page }) => {
  const { answers } = planAnswers()
  await answer(page, mapAnswers(50), answers)
  await page.goto('/plan')
  await expect(page.getByRole('button', { name: 'Open Hanging now' })).toBeVisible()
  expect(await faults(page)).toEqual([])
  await page.screenshot({ path: 'e2e/.shots/plan-list.png' })
  await page.getByRole('button', { name: 'Open Hanging now' }).click()
  await page.getByRole('button', { name: 'P-15', exact: true }).click()
  expect(await faults(page)).toEqual([])
  await page.setViewportSize({ width: 390, height: 844 })
  await page.waitForTimeout(800)
  await page.screenshot({ path: 'e2e/.shots/plan-390.png', fullPage: true })
  expect(await page.evaluate(() => document.documentElement.scrollWidth - innerWidth)).toBeLessThanOrEqual(0)
})
