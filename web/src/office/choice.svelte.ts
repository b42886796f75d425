// Which target and which day the lead looks at: one choice for map, plan, assurance and season.

import { api } from '../lib/api/client'
import type { Day, Target } from '../lib/api/types'
import { session } from '../lib/session.svelte'

class Choice {
  targets = $state.raw<Target[] | undefined>(undefined)
  error = $state.raw<unknown>(undefined)
  #target = $state<string | undefined>(undefined)
  #day = $state<Day | undefined>(undefined)

  /** The target chosen, else the first adopted one that has traps out, else the first adopted one. */
  get target(): Target | undefined {
    const all = this.targets ?? []
    return all.find((t) => t.id === this.#target) ?? all.find((t) => t.adopted && t.traps_out > 0) ?? all.find((t) => t.adopted) ?? undefined
  }

  get day(): Day {
    return this.#day ?? session.me?.today ?? ''
  }

  choose(target: string): void {
    this.#target = target
  }

  /** Today is kept as "today", so that the page goes on with the calendar. */
  on(day: Day | undefined): void {
    this.#day = day === undefined || day === '' || day === session.me?.today ? undefined : day
  }

  async read(): Promise<void> {
    this.error = undefined
    try {
      this.targets = (await api.get<{ targets: Target[] }>('/targets')).targets
    } catch (e) {
      this.error = e
    }
  }
}

export const choice = new Choice()
