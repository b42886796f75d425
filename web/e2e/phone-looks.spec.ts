// Every screen of the phone: axe with the stricter contrast of 7:1, targets of at least 48 px, nothing wider than the screen, in both languages; pictures to look at.
import AxeBuilder from '@axe-core/playwright'
import { expect, test, type Page } from '@playwright/test'
import { Office, setUp } from './fixtures/phone'

test.use({ serviceWorkers: 'allow', geolocation: { latitude: 44.0135, longitude: -121.2501, accuracy: 6 }, permissions: ['geolocation'], actionTimeout: 8_000 })

const SCREENS = ['', 'stop/T-12', 'hang', 'hang/P-22', 'tree', 'suspect', 'box', 'unsent', 'settings', 'set-up']

async function check(page: Page, name: string): Promise<void> {
  const { violations } = await new AxeBuilder({ page }).options({ rules: { 'color-contrast-enhanced': { enabled: true } } }).analyze()
  expect.soft(violations.map((v) => `${name}: ${v.id}: ${v.nodes.map((n) => n.html).slice(0, 3).join(' ')}`)).toEqual([])
  const wrong = await page.evaluate(() => {
    const out: string[] = []
    for (const e of document.querySelectorAll<HTMLElement>('.phone :is(a, button, select, input, textarea, summary)')) {
      const box = (e.closest<HTMLElement>('.choice, .button') ?? e).getBoundingClientRect()
      if (box.width > 0 && (box.height < 48 || box.width < 48)) out.push(`${e.tagName} ${e.textContent?.trim().slice(0, 30)} ${box.width.toFixed(0)}×${box.height.toFixed(0)}`)
    }
    if (document.documentElement.scrollWidth > innerWidth) out.push(`wider than the screen: ${document.documentElement.scrollWidth}`)
    return out
  })
  expect.soft(wrong, name).toEqual([])
}

for (const [width, height, language] of [[390, 844, 'en'], [360, 740, 'es']] as const) {
  test(`every screen at ${width} × ${height}, ${language}`, async ({ page }) => {
    test.setTimeout(120_000)
    await page.setViewportSize({ width, height })
    const office = await Office.start()
    try {
      await setUp(page, office)
      await page.evaluate((l) => localStorage.setItem('earlywood-settings', JSON.stringify({ language: l, units: 'metric', hand: l === 'es' ? 'left' : 'right' })), language)
      for (const screen of SCREENS) {
        await page.goto(`${office.url}/phone/${screen}`)
        await page.locator('h1').first().waitFor()
        if (screen.startsWith('stop')) {
          await page.locator('#q-found label').nth(1).click()
          await page.locator('#q-look label').nth(1).click()
          await page.locator('#q-renew label').nth(1).click()
          await page.locator('details summary').click()
        }
        if (screen === 'hang/P-22') {
          await page.locator('#q-trap').fill('N-1')
          await page.locator('#q-where label').nth(1).click()
          await page.locator('#q-why').waitFor()
        }
        if (screen === 'tree') await page.locator('fieldset').nth(1).locator('label').nth(1).click()
        await page.waitForTimeout(700)
        await page.screenshot({ path: `e2e/.out/looks/${language}-${screen.replace('/', '-') || 'today'}.png`, fullPage: screen !== '' })
        await check(page, screen)
      }
    } finally {
      await office.stop()
    }
  })
}
