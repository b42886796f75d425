import { svelte } from '@sveltejs/vite-plugin-svelte'
import { defineConfig } from 'vitest/config'
import { VitePWA } from 'vite-plugin-pwa'

// `npm run dev` talks to a program that is served: EARLYWOOD_URL=http://127.0.0.1:8640 npm run dev
const program = process.env['EARLYWOOD_URL'] ?? 'http://127.0.0.1:8640'

export default defineConfig({
  plugins: [
    svelte(),
    VitePWA({
      // Our own worker: what it keeps and when a new version takes over is written in src/sw.ts.
      strategies: 'injectManifest',
      srcDir: 'src',
      filename: 'sw.ts',
      injectRegister: false,
      manifest: false,
      injectManifest: { globPatterns: ['**/*.{js,mjs,css,html,svg,png,webmanifest,wasm}'], maximumFileSizeToCacheInBytes: 6 << 20 },
    }),
  ],
  build: { target: 'es2022', sourcemap: false, assetsInlineLimit: 0, chunkSizeWarningLimit: 1_600 },
  // The tests in e2e are Playwright's.
  test: { include: ['src/**/*.test.ts'] },
  server: {
    proxy: {
      // The program refuses what a page of another address sends; through this proxy the page is its own.
      '/api': { target: program, changeOrigin: true, configure: (proxy) => proxy.on('proxyReq', (request) => request.setHeader('origin', program)) },
    },
  },
})
