// Keeps the app off line. It holds the files of one build, whole: a page never runs with half of one version and half of
// another. A new build is fetched beside the old one and waits until a person agrees. Calls to the server are never touched.

declare const self: ServiceWorkerGlobalScope & { __WB_MANIFEST: { url: string; revision: string | null }[] }

const files = self.__WB_MANIFEST
const PREFIX = 'earlywood-files-'
/** The office's map is large and no part of the phone's app: it is kept when it is first used. */
const WHEN_USED = /maplibre|surface/i
const needed = files.filter(({ url }) => !WHEN_USED.test(url))
const known = new Set(files.map(({ url }) => new URL(url, self.location.origin).pathname))
const SHELL = '/index.html'

/** A name for this build: FNV-1a over its list of files. */
function buildName(): string {
  let hash = 0x811c9dc5
  for (const char of JSON.stringify(files)) hash = Math.imul(hash ^ char.charCodeAt(0), 0x01000193) >>> 0
  return PREFIX + hash.toString(16)
}
const NAME = buildName()

/** The address of a file in the cache: one without a hash in its name carries its revision. */
const addressOf = ({ url, revision }: { url: string; revision: string | null }): string =>
  new URL(url, self.location.origin).pathname + (revision === null ? '' : `?rev=${revision}`)
const revisions = new Map(files.map((file) => [new URL(file.url, self.location.origin).pathname, addressOf(file)]))

async function fill(): Promise<void> {
  const cache = await caches.open(NAME)
  await Promise.all(needed.map(async (file) => {
    const address = addressOf(file)
    if (await cache.match(address) !== undefined) return
    // What an earlier build had already is not fetched again over a poor network.
    const before = await caches.match(address)
    const response = before ?? await fetch(new URL(file.url, self.location.origin), { cache: 'no-cache', credentials: 'same-origin' })
    if (!response.ok) throw new Error(`${file.url}: ${response.status}`)
    await cache.put(address, response)
  }))
}

self.addEventListener('install', (event) => {
  // If one file fails, the whole new version waits for the next try, and the old one stays.
  event.waitUntil(fill())
})

self.addEventListener('activate', (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) if (name.startsWith(PREFIX) && name !== NAME) await caches.delete(name)
    await self.clients.claim()
  })())
})

self.addEventListener('message', (event) => {
  if (event.data === 'take over') void self.skipWaiting()
})

async function fromBuild(path: string, request: Request): Promise<Response> {
  const cache = await caches.open(NAME)
  const address = revisions.get(path) ?? path
  const kept = await cache.match(address)
  if (kept !== undefined) return kept
  const response = await fetch(request)
  if (response.ok && response.type === 'basic' && request.mode !== 'navigate') await cache.put(address, response.clone())
  return response
}

self.addEventListener('fetch', (event) => {
  const { request } = event
  const url = new URL(request.url)
  if (request.method !== 'GET' || url.origin !== self.location.origin || url.pathname.startsWith('/api/')) return
  if (request.mode === 'navigate') {
    // The app's own paths have no dot; a link to a file is the server's to answer.
    if (/\.[a-z0-9]+$/i.test(url.pathname) && url.pathname !== SHELL) return
    event.respondWith(fromBuild(SHELL, request))
  } else if (known.has(url.pathname)) event.respondWith(fromBuild(url.pathname, request))
})

export {}
