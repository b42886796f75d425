import AxeBuilder from '@axe-core/playwright'
import { expect, test } from '@playwright/test'
import { answer } from './fixtures/base'
import { mapAnswers } from './fixtures/map'
import { sureAnswers } from './fixtures/sure'

for (const [path, heading] of [['/assurance', 'How sure are we?'], ['/season', 'Season']] as const) {
  for (const [w, h] of [[1280, 800], [390, 844]] as const) {
    test(`${path} at ${w} by ${h}`, async ({ page }) => {
      await page.setViewportSize({ width: w, height: h })
      await answer(page, mapAnswers(10), sureAnswers)
      await page.goto(path)
      await expect(page.getByRole('heading', { level: 1, name: heading })).toBeVisible()
      await expect(page.getByRole('img').first()).toBeVisible()
      await page.screenshot({ path: `e2e/.shots${path}-${w}.png`, fullPage: true })
      // Nothing runs off the side of a narrow page.
      expect(await page.evaluate(() => document.documentElement.scrollWidth - innerWidth)).toBeLessThanOrEqual(0)
      const { violations } = await new AxeBuilder({ page }).analyze()
      expect(violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.html).join(' | ')}`)).toEqual([])
    })
  }
}

test('the sentence is said in both languages and never as a certainty', async ({ page }) => {
  await answer(page, mapAnswers(10), sureAnswers)
  await page.goto('/assurance')
  await expect(page.getByText('If the emerald ash borer had been in Eastbank at the design size (50 flyers), we would have seen it by 29 May 2026 with probability 0.81 (0.65–0.91).')).toBeVisible()
  await expect(page.getByText(/was found in Westfold on 20 May 2026 and confirmed/)).toBeVisible()
  await page.goto('/settings')
  await page.getByLabel('Language').selectOption('es')
  await page.getByRole('link', { name: '¿Qué tan seguro?' }).click()
  await expect(page.getByText(/Si Agrilus planipennis hubiera estado en Eastbank/)).toBeVisible()
})
