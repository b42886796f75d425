// The proposal that somebody works on. It lives as long as the window, so that a look at another page loses nothing.

import { api, query } from '../../lib/api/client'
import type { Receipt, RoundsAsk, RoundsDraft, RoundsView, SheetForm, TypedRow } from '../../lib/api/types'
import { written } from '../parts/write'
import type { Asking } from './asking'

const LOOK_MS = 1_000

class RoundsWork {
  asking = $state<Asking | undefined>(undefined)
  draft = $state.raw<RoundsDraft | undefined>(undefined)
  /** The rounds that held for the same days when the proposal was ready. */
  before = $state.raw<RoundsView | undefined>(undefined)
  error = $state.raw<unknown>(undefined)

  async ask(ask: RoundsAsk): Promise<void> {
    this.error = undefined
    const { draft } = await api.post<{ draft: string }>('/rounds/drafts', ask)
    this.draft = { draft, state: 'working' }
    void this.#watch(draft)
  }

  async #watch(id: string): Promise<void> {
    while (this.draft?.draft === id && this.draft.state === 'working') {
      await new Promise((done) => setTimeout(done, LOOK_MS))
      try {
        const draft = await api.get<RoundsDraft>(`/rounds/drafts/${id}`)
        const rounds = draft.rounds
        const before = rounds === undefined ? undefined : await api.get<RoundsView>(`/rounds/adopted${query({ from: rounds.from, to: rounds.to })}`)
        if (this.draft?.draft !== id) return
        this.before = before
        this.draft = draft
        this.error = undefined
      } catch (e) {
        this.error = e
        // A sign-in that ran out or a network that is away: it is asked again. A draft that is gone never comes back.
        if (e instanceof Error && 'status' in e && e.status === 404) this.forget()
      }
    }
  }

  async adopt(reason: string): Promise<Receipt> {
    const receipt = await api.post<Receipt>(`/rounds/drafts/${this.draft?.draft ?? ''}/adopt`, { reason })
    this.forget()
    this.asking = undefined
    written()
    return receipt
  }

  drop(): void {
    const id = this.draft?.draft
    this.forget()
    if (id !== undefined) api.delete(`/rounds/drafts/${id}`).catch(() => undefined)
  }

  forget(): void {
    this.draft = undefined
    this.before = undefined
  }
}

export const work = new RoundsWork()

/** A sheet that is being typed in: kept while somebody looks at another page. */
class SheetWork {
  form = $state.raw<SheetForm | undefined>(undefined)
  rows = $state<TypedRow[]>([])
}

export const sheetWork = new SheetWork()
