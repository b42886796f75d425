import AxeBuilder from '@axe-core/playwright'
import { expect, test, type Page, type Route } from '@playwright/test'
import { answer, me, TODAY } from './fixtures/base'
import { mapAnswers } from './fixtures/map'
import { sureAnswers } from './fixtures/sure'

const nobody = { first_run: false, today: TODAY, programme: me.programme, passkeys: { possible: true, count: 0 }, secure: true }

async function faults(page: Page): Promise<string[]> {
  const { violations } = await new AxeBuilder({ page }).analyze()
  return violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.html).join(' | ')}`)
}

test('signing in: a refusal is told, then the page that was asked for comes', async ({ page }) => {
  let tries = 0
  await answer(page, mapAnswers(5), sureAnswers, { '/me': nobody, '/sign-in': async (route: Route) => {
    tries++
    if (tries === 1) await route.fulfill({ status: 401, json: { code: 'wrong', words: 'The person or the password is not right.' } })
    else await route.fulfill({ json: me })
  } })
  await page.goto('/assurance')
  await page.getByLabel('Person (id)').fill('lead')
  await page.getByLabel('Password').fill('wrong')
  await page.getByRole('button', { name: 'Sign in', exact: true }).click()
  await expect(page.getByRole('alert')).toContainText('not right')
  expect(await faults(page)).toEqual([])
  await page.screenshot({ path: 'e2e/.shots/door.png' })
  await page.getByLabel('Password').fill('a long enough sentence')
  await page.getByRole('button', { name: 'Sign in', exact: true }).click()
  await expect(page.getByRole('heading', { name: 'How sure are we?' })).toBeVisible()
})

test('first run and invitation ask for a password twice', async ({ page }) => {
  const posted: unknown[] = []
  const take = async (route: Route): Promise<void> => {
    posted.push(route.request().postDataJSON())
    await route.fulfill({ json: me })
  }
  await answer(page, { '/me': { ...nobody, first_run: true }, '/first-run': take, '/accounts/accept': take, '/morning': async (r: Route) => await r.fulfill({ status: 404, json: { code: 'x', words: 'x' } }) })
  await page.goto('/')
  await page.getByLabel('Code').fill('ABCD-EFGH')
  await page.getByLabel('Person (id)').fill('lead')
  await page.getByLabel('New password').fill('a long enough sentence')
  await page.getByLabel('The same again').fill('another sentence here')
  await page.getByRole('button', { name: 'Begin' }).click()
  await expect(page.getByRole('alert')).toContainText('differ')
  expect(posted).toEqual([])
  await page.getByLabel('The same again').fill('a long enough sentence')
  await page.getByRole('button', { name: 'Begin' }).click()
  await expect(page.getByRole('navigation', { name: 'Screens' })).toBeVisible()
  expect(posted).toEqual([{ code: 'ABCD-EFGH', person: 'lead', password: 'a long enough sentence' }])

  await answer(page, { '/me': nobody, '/accounts/accept': take })
  await page.goto('/accept#WXYZ-1234')
  await page.reload()
  await expect(page.getByLabel('Code')).toHaveValue('WXYZ-1234')
  await page.getByLabel('New password').fill('a long enough sentence')
  await page.getByLabel('The same again').fill('a long enough sentence')
  expect(await faults(page)).toEqual([])
  await page.getByRole('button', { name: 'Set the password and sign in' }).click()
  await expect(page.getByRole('navigation', { name: 'Screens' })).toBeVisible()
  expect(posted.at(-1)).toEqual({ code: 'WXYZ-1234', password: 'a long enough sentence' })
})

test('an expired sign-in asks over the page and what is on it stays', async ({ page }) => {
  let expired = false
  await answer(page, mapAnswers(5), sureAnswers, { '/sign-in': async (route: Route) => { expired = false; await route.fulfill({ json: { ...me, csrf: 'other' } }) }, '/password': async (route: Route) => {
    if (expired) await route.fulfill({ status: 401, json: { code: 'nobody', words: 'nobody is signed in' } })
    else await route.fulfill({ json: { ...me, csrf: 'a third' } })
  } })
  await page.goto('/settings')
  await page.getByLabel('Password now').fill('the old sentence here')
  await page.getByLabel('New password').fill('a long enough sentence')
  await page.getByLabel('The same again').fill('a long enough sentence')
  expired = true
  await page.getByRole('button', { name: 'Change it' }).click()
  const dialog = page.getByRole('dialog', { name: 'Sign in again' })
  await expect(dialog).toBeVisible()
  await page.keyboard.press('Escape')
  await expect(dialog).toBeVisible()
  expect(await faults(page)).toEqual([])
  await page.screenshot({ path: 'e2e/.shots/expired.png' })
  await dialog.getByLabel('Password').fill('the old sentence here')
  await dialog.getByRole('button', { name: 'Sign in', exact: true }).click()
  await expect(dialog).toBeHidden()
  await expect(page.getByLabel('Password now')).toHaveValue('the old sentence here')
  await page.getByRole('button', { name: 'Change it' }).click()
  await expect(page.getByText('The password is changed.')).toBeVisible()
})

test('keyboard and narrow screens: skip link, menu, language', async ({ page }) => {
  await answer(page, mapAnswers(5), sureAnswers)
  await page.goto('/season')
  await expect(page.getByRole('heading', { level: 1 })).toBeVisible()
  await page.keyboard.press('Tab')
  await expect(page.getByRole('link', { name: 'Skip to content' })).toBeFocused()
  await page.keyboard.press('Enter')
  await expect(page.locator('main')).toBeFocused()
  await page.setViewportSize({ width: 390, height: 844 })
  await expect(page.getByRole('navigation', { name: 'Screens' })).toBeHidden()
  await page.getByRole('button', { name: /Menu/ }).click()
  await page.screenshot({ path: 'e2e/.shots/menu-390.png' })
  expect(await faults(page)).toEqual([])
  await page.getByRole('link', { name: 'Settings' }).click()
  await expect(page.getByRole('navigation', { name: 'Screens' })).toBeHidden()
  await page.getByLabel('Language').selectOption('es')
  await expect(page.getByRole('heading', { level: 1, name: 'Ajustes' })).toBeVisible()
  await page.getByRole('button', { name: /Menú/ }).click()
  await page.getByRole('link', { name: 'Mapa' }).click()
  await page.waitForTimeout(2_500)
  await page.screenshot({ path: 'e2e/.shots/map-390-es.png', fullPage: true })
  expect(await page.evaluate(() => document.documentElement.scrollWidth - innerWidth)).toBeLessThanOrEqual(0)
  await page.goto('/nowhere')
  await expect(page.getByText('No existe esa página.')).toBeVisible()
})
