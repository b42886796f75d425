// Something read from the server: what is there, what went wrong, whether it is being read again. While a newer answer is
// on its way the older one stays on the screen.

import { untrack } from 'svelte'
import { api } from '../api/client'
import { session } from '../session.svelte'

export class Loaded<T> {
  value = $state.raw<T | undefined>(undefined)
  error = $state.raw<unknown>(undefined)
  busy = $state(false)
  #path: string | undefined
  #stop: AbortController | undefined

  /** Reads `path`; another path drops what the older one brought unless `keep` is set. */
  async read(path: string | undefined, keep = false): Promise<void> {
    this.#stop?.abort()
    if (path !== this.#path && !keep) this.value = undefined
    this.#path = path
    this.error = undefined
    if (path === undefined) {
      this.busy = false
      return
    }
    const stop = new AbortController()
    this.#stop = stop
    this.busy = true
    try {
      const value = await api.get<T>(path, { signal: stop.signal })
      if (this.#stop === stop) this.value = value
    } catch (e) {
      if (this.#stop === stop) this.error = e
    } finally {
      if (this.#stop === stop) this.busy = false
    }
  }

  readonly reload = (): Promise<void> => this.read(this.#path, true)

  drop(): void {
    this.#stop?.abort()
    this.#stop = undefined
  }
}

/** In a component's script: `const morning = load<Morning>(() => '/morning')`. Reads again when the path changes and, unless
 *  `follow` is false, when the journal has grown. `keep` leaves the older answer up while another path is read. */
export function load<T>(path: () => string | undefined, options: { keep?: boolean; follow?: boolean } = {}): Loaded<T> {
  const loaded = new Loaded<T>()
  let last: string | undefined
  $effect(() => {
    const wanted = path()
    if (options.follow ?? true) void session.me?.revision
    const same = wanted === last
    last = wanted
    untrack(() => void loaded.read(wanted, same || (options.keep ?? false)))
  })
  $effect(() => () => loaded.drop())
  return loaded
}
