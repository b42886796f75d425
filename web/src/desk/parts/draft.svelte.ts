// A draft that the server works out in the background. It lives as long as the window, so that a look at another page loses nothing.

import { api } from '../../lib/api/client'
import type { Uuid } from '../../lib/api/types'

export interface Draft { draft: Uuid; state: 'working' | 'ready' | 'failed' }

const LOOK_MS = 1_000

export class Drafting<D extends Draft> {
  draft = $state.raw<D | undefined>(undefined)
  error = $state.raw<unknown>(undefined)
  readonly #drafts: string

  /** `drafts`: where drafts are looked at and dropped, by their id. */
  constructor(drafts: string) {
    this.#drafts = drafts
  }

  /** `path`: where it is asked for. */
  async begin(path: string, ask: object): Promise<void> {
    this.error = undefined
    const { draft } = await api.post<{ draft: Uuid }>(path, ask)
    this.draft = { draft, state: 'working' } as D
    void this.#watch(draft)
  }

  async #watch(id: Uuid): Promise<void> {
    while (this.draft?.draft === id && this.draft.state === 'working') {
      await new Promise((done) => setTimeout(done, LOOK_MS))
      try {
        const draft = await api.get<D>(`${this.#drafts}/${id}`)
        const show = await this.before(draft)
        if (this.draft?.draft !== id) return
        show()
        this.draft = draft
        this.error = undefined
      } catch (e) {
        this.error = e
        // A sign-in that ran out or a network that is away: it is asked again. A draft that is gone never comes back.
        if (e instanceof Error && 'status' in e && e.status === 404) this.forget()
      }
    }
  }

  /** Reads what is shown beside a draft; what it gives back is done together with showing the draft. */
  protected before(_draft: D): Promise<() => void> {
    return Promise.resolve(() => undefined)
  }

  drop(): void {
    const id = this.draft?.draft
    this.forget()
    if (id !== undefined) api.delete(`${this.#drafts}/${id}`).catch(() => undefined)
  }

  forget(): void {
    this.draft = undefined
  }
}
