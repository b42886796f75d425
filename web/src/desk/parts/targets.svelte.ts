// Common names of targets by id, read once: a person reads "Emerald ash borer", not "emerald-ash-borer".

import { api } from '../../lib/api/client'
import type { Target } from '../../lib/api/types'

class TargetNames {
  #names = $state.raw<Record<string, string>>({})
  #asked = false

  /** The name, or the id until it is known. */
  of(id: string | undefined): string {
    if (id === undefined) return ''
    if (!this.#asked) {
      this.#asked = true
      // Out of the drawing of the screen; a failure is no more than a page with ids, and is tried again.
      setTimeout(() => this.#read())
    }
    return this.#names[id] ?? id
  }

  #read(): void {
    api.get<{ targets: Target[] }>('/targets').then(
      ({ targets }) => (this.#names = Object.fromEntries(targets.map((t) => [t.id, t.common_name]))),
      () => (this.#asked = false),
    )
  }
}

export const targetNames = new TargetNames()
