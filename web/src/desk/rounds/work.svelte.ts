// The proposal that somebody works on, and the sheet that somebody types in.

import { api, query } from '../../lib/api/client'
import type { Receipt, RoundsAsk, RoundsDraft, RoundsView, SheetForm, TypedRow } from '../../lib/api/types'
import { Drafting } from '../parts/draft.svelte'
import { written } from '../parts/write'
import type { Asking } from './asking'

class RoundsWork extends Drafting<RoundsDraft> {
  asking = $state<Asking | undefined>(undefined)
  /** The rounds that held for the same days when the proposal was ready. */
  holding = $state.raw<RoundsView | undefined>(undefined)

  constructor() {
    super('/rounds/drafts')
  }

  ask(ask: RoundsAsk): Promise<void> {
    return this.begin('/rounds/drafts', ask)
  }

  protected override async before({ rounds }: RoundsDraft): Promise<() => void> {
    const holding = rounds === undefined ? undefined : await api.get<RoundsView>(`/rounds/adopted${query({ from: rounds.from, to: rounds.to })}`)
    return () => (this.holding = holding)
  }

  async adopt(reason: string): Promise<Receipt> {
    const receipt = await api.post<Receipt>(`/rounds/drafts/${this.draft?.draft ?? ''}/adopt`, { reason })
    this.forget()
    this.asking = undefined
    written()
    return receipt
  }

  override forget(): void {
    super.forget()
    this.holding = undefined
  }
}

export const work = new RoundsWork()

/** A sheet that is being typed in: kept while somebody looks at another page. */
class SheetWork {
  form = $state.raw<SheetForm | undefined>(undefined)
  rows = $state<TypedRow[]>([])
}

export const sheetWork = new SheetWork()
