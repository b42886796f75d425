// The worker that keeps the app off line, and how a new version of it takes over: never while a form is open, never unasked.

import { formOpen } from './drafts.svelte'

class Updates {
  waiting = $state(false)
  #registration: ServiceWorkerRegistration | undefined
  #agreed = false

  async register(): Promise<void> {
    if (!('serviceWorker' in navigator) || import.meta.env.DEV) return
    try {
      const registration = await navigator.serviceWorker.register('/sw.js', { type: 'classic' })
      this.#registration = registration
      const look = (): void => { this.waiting = registration.waiting !== null && navigator.serviceWorker.controller !== null }
      look()
      registration.addEventListener('updatefound', () => {
        registration.installing?.addEventListener('statechange', look)
      })
      navigator.serviceWorker.addEventListener('controllerchange', () => void this.#changed())
      document.addEventListener('visibilitychange', () => {
        if (document.visibilityState === 'visible' && navigator.onLine) registration.update().catch(() => undefined)
      })
    } catch {
      // Without a worker the page works with a network only.
    }
  }

  /** The person agreed. False: a form is open here or in another window. */
  async take(): Promise<boolean> {
    if (await formOpen()) return false
    this.#agreed = true
    this.#registration?.waiting?.postMessage('take over')
    return true
  }

  async #changed(): Promise<void> {
    // Only the window in which it was agreed to, and only while nothing is being filled in.
    if (!this.#agreed || await formOpen()) return
    location.reload()
  }
}

export const updates = new Updates()
