import AxeBuilder from '@axe-core/playwright'
import { expect, test, type Page, type Route } from '@playwright/test'
import { answer } from './fixtures/base'
import { mapAnswers } from './fixtures/map'

async function still(page: Page): Promise<void> {
  await expect(page.locator('canvas.maplibregl-canvas')).toBeVisible()
  await page.waitForTimeout(2_500)
}

test('the map is drawn and everything on it is in the list', async ({ page }) => {
  const errors: string[] = []
  page.on('console', (m) => { if (m.type() === 'error') errors.push(m.text()) })
  page.on('pageerror', (e) => errors.push(e.message))
  await answer(page, mapAnswers())
  await page.goto('/map')
  await still(page)
  await page.screenshot({ path: 'e2e/.shots/map.png' })
  await page.getByRole('button', { name: 'List' }).click()
  await page.getByLabel('Search in the list').fill('t-00007')
  await page.getByRole('button', { name: /T-00007/ }).click()
  await expect(page.getByRole('heading', { name: /T-00007/ })).toBeVisible()
  await page.waitForTimeout(1_200)
  await page.screenshot({ path: 'e2e/.shots/map-list.png' })
  expect(errors).toEqual([])
})

test('the map screen has no accessibility faults', async ({ page }) => {
  await answer(page, mapAnswers(50))
  await page.goto('/map')
  await still(page)
  const { violations } = await new AxeBuilder({ page }).analyze()
  expect(violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.html).join(' | ')}`)).toEqual([])
})

test('land is drawn by clicks or by typing, looked at, and written only when it is good', async ({ page }) => {
  const sent: { url: string; body: unknown }[] = []
  let good = false
  const preview = (over: object): object => ({ draft: 'l-1', what: 'land', name: 'x', good: 0, bad: 0, rejected: [], columns: [], sample: [], notes: [], can_replace: false, ...over })
  await answer(page, mapAnswers(5), {
    '/load/preview': async (route: Route) => {
      sent.push({ url: route.request().url(), body: JSON.parse(route.request().postData() ?? '{}') })
      await route.fulfill({ json: good ? preview({ good: 1 }) : preview({ bad: 1, rejected: [{ column: 'label', value: 'Tarn School', rule: 'is used already', words: 'give it another label' }] }) })
      good = true
    },
    '/load/l-1': async (route: Route) => {
      if (route.request().method() === 'POST') sent.push({ url: route.request().url(), body: route.request().postDataJSON() as unknown })
      await route.fulfill({ json: { written: 1, left_out: 0 } })
    },
  })
  await page.goto('/map')
  await still(page)
  await page.getByRole('button', { name: 'Draw' }).click()
  const canvas = page.locator('canvas.maplibregl-canvas')
  for (const [x, y] of [[200, 200], [300, 200], [300, 300]] as const) {
    await canvas.click({ position: { x, y } })
    await page.waitForTimeout(400) // Two clicks at once would be a double click.
  }
  const corners = page.getByLabel('Corners (latitude longitude)')
  expect((await corners.inputValue()).split('\n')).toHaveLength(3)
  await corners.fill(`${await corners.inputValue()}\nnowhere`)
  await expect(page.getByText('Line 4 is not a latitude and a longitude.')).toBeVisible()
  await expect(page.getByRole('button', { name: 'Look at it' })).toBeDisabled()
  await corners.fill((await corners.inputValue()).replace('nowhere', ''))
  await page.getByLabel('Label').fill('Tarn School')
  await page.getByLabel('Name of the source').fill('closed by letter of 3 May')
  await page.getByRole('button', { name: 'Look at it' }).click()
  await expect(page.getByText(/give it another label/)).toBeVisible()
  await expect(page.getByRole('button', { name: 'Write it down' })).toBeHidden()
  await page.screenshot({ path: 'e2e/.shots/map-draw.png' })
  const { violations } = await new AxeBuilder({ page }).analyze()
  expect(violations.map((v) => v.id)).toEqual([])
  await page.getByLabel('Label').fill('Tarn School 2')
  await page.getByRole('button', { name: 'Look at it' }).click()
  await page.getByRole('button', { name: 'Write it down' }).click()
  await expect(page.getByText('Written down. The map reads it now.')).toBeVisible()
  expect(sent[1]?.url).toContain('what=land')
  expect(new URL(sent[1]?.url ?? '').searchParams.get('name')).toBe('closed by letter of 3 May')
  const shape = sent[1]?.body as { features: { properties: Record<string, string>; geometry: { coordinates: number[][][] } }[] }
  expect(shape.features[0]?.properties).toEqual({ label: 'Tarn School 2', rule: 'forbidden' })
  expect(shape.features[0]?.geometry.coordinates[0]).toHaveLength(4)
  expect(sent[2]?.body).toEqual({ keep_good: false, replace: false })
})
