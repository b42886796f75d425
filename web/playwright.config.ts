import { defineConfig } from '@playwright/test'

// Debian's own Chromium, with WebGL in software. `EARLYWOOD_BASE` runs the tests against a program that is served already;
// without it the built app is served by Vite and the calls are answered by fixtures in the tests.
const base = process.env['EARLYWOOD_BASE']
// Every checkout has a port of its own, so that tests never look at another one's build.
const own = 4_300 + [...process.cwd()].reduce((sum, c) => (sum * 31 + c.charCodeAt(0)) % 500, 0)
const port = Number(process.env['EARLYWOOD_E2E_PORT'] ?? own)

export default defineConfig({
  testDir: 'e2e',
  reporter: 'list',
  workers: 1,
  timeout: 60_000,
  outputDir: 'e2e/.out',
  use: {
    baseURL: base ?? `http://127.0.0.1:${port}`,
    viewport: { width: 1280, height: 800 },
    locale: 'en-GB',
    serviceWorkers: 'block',
    launchOptions: { executablePath: process.env['CHROMIUM'] ?? '/usr/bin/chromium', args: ['--no-sandbox', '--use-gl=angle', '--use-angle=swiftshader'] },
  },
  ...(base === undefined
    ? { webServer: { command: `npx vite preview --host 127.0.0.1 --port ${port} --strictPort`, url: `http://127.0.0.1:${port}/`, reuseExistingServer: true } }
    : {}),
})
