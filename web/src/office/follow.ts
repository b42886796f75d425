// Asks now and then whether the journal has grown, so that screens read again by themselves.

import { api } from '../lib/api/client'
import { session } from '../lib/session.svelte'

const EVERY_MS = 30_000 // Design choice: a phone's visit is on the office's screen within half a minute.

export function followRevision(): () => void {
  async function look(): Promise<void> {
    if (document.visibilityState === 'hidden' || session.expired) return
    try {
      const me = await api.me()
      if (me.person === undefined) session.expired = true
      else if (me.revision !== session.me?.revision || me.today !== session.me?.today) session.set(me)
    } catch {
      // Nobody answered: the next look comes soon enough, and calls of the screens say so themselves.
    }
  }
  const timer = setInterval(() => void look(), EVERY_MS)
  const seen = (): void => void look()
  document.addEventListener('visibilitychange', seen)
  return () => {
    clearInterval(timer)
    document.removeEventListener('visibilitychange', seen)
  }
}
