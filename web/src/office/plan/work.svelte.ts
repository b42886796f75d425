// The work on plans: the drafts, the one that is open, what was changed in it and what that does. It lives as long as the
// window, so that a look at another page loses nothing.

import { api } from '../../lib/api/client'
import type { AdoptedPlan, At, PlanAsk, PlanDraft, Receipt, WhatIf, WhatIfAsk } from '../../lib/api/types'
import { add, apply, count, move, NO_EDITS, remove, type Edits, type EditedSpot } from './edits'
import { Latest } from './latest'

const LOOK_MS = 1_200
const BAND_DRAWS = 200 // Design choice: a band that is steady to the second digit, after a trap was let go.

const wait = (ms: number): Promise<void> => new Promise((done) => setTimeout(done, ms))

class PlanWork {
  drafts = $state.raw<PlanDraft[] | undefined>(undefined)
  adopted = $state.raw<AdoptedPlan[]>([])
  error = $state.raw<unknown>(undefined)
  draft = $state.raw<PlanDraft | undefined>(undefined)
  edits = $state.raw<Edits>(NO_EDITS)
  #before: Edits[] = $state.raw([])
  effect = $state.raw<WhatIf | undefined>(undefined)
  effectError = $state.raw<unknown>(undefined)
  /** True while a trap is moved: only central figures are asked for. */
  moving = $state(false)
  readonly spots: EditedSpot[] = $derived(apply(this.draft?.places ?? [], this.edits))
  readonly changes = $derived(count(this.edits))

  #whatIf = new Latest<WhatIfAsk, WhatIf>(
    (ask) => api.post<WhatIf>('/what-if', ask),
    (answer) => {
      this.effect = answer
      this.effectError = undefined
    },
    (e) => (this.effectError = e),
  )

  async read(): Promise<void> {
    try {
      const { drafts, adopted } = await api.get<{ drafts: PlanDraft[]; adopted: AdoptedPlan[] }>('/plans')
      this.drafts = drafts
      this.adopted = adopted
      this.error = undefined
    } catch (e) {
      this.error = e
    }
  }

  /** Looks at the list again and again while something in it is being searched. */
  watch(): () => void {
    let on = true
    void (async () => {
      await this.read()
      while (on) {
        await wait(LOOK_MS)
        if (on && this.drafts?.some((d) => d.state === 'working')) await this.read()
      }
    })()
    return () => (on = false)
  }

  async ask(ask: PlanAsk): Promise<string> {
    const { draft } = await api.post<{ draft: string }>('/plans', ask)
    await this.read()
    return draft
  }

  /** Waits until a draft is done. */
  async done(id: string): Promise<PlanDraft> {
    for (;;) {
      const draft = await api.get<PlanDraft>(`/plans/${id}`)
      if (draft.state === 'failed') throw new Error(draft.words ?? 'failed')
      if (draft.state === 'done') return draft
      await wait(LOOK_MS)
    }
  }

  async open(id: string): Promise<void> {
    const draft = await this.done(id)
    this.#forget()
    this.draft = draft
    // Nothing is changed yet: "before" and "after" are the plan itself, with its bands.
    this.#tell(BAND_DRAWS)
  }

  close(): void {
    this.draft = undefined
    this.#forget()
  }

  async drop(id: string): Promise<void> {
    await api.delete(`/plans/${id}`)
    if (this.draft?.draft === id) this.close()
    await this.read()
  }

  move(label: string, at: At, dropped: boolean): void {
    if (!this.moving) this.#keep()
    this.moving = !dropped
    this.edits = move(this.edits, label, at)
    this.#tell(dropped ? BAND_DRAWS : 0)
  }

  add(at: At): string {
    this.#keep()
    const { edits, label } = add(this.edits, at, new Set(this.draft?.places?.map((p) => p.label) ?? []))
    this.edits = edits
    this.#tell(BAND_DRAWS)
    return label
  }

  remove(label: string): void {
    this.#keep()
    this.edits = remove(this.edits, label)
    this.#tell(BAND_DRAWS)
  }

  undo(): void {
    const last = this.#before.at(-1)
    if (last === undefined) return
    this.#before = this.#before.slice(0, -1)
    this.edits = last
    this.#tell(BAND_DRAWS)
  }

  reset(): void {
    if (this.changes === 0) return
    this.#keep()
    this.edits = NO_EDITS
    this.#tell(BAND_DRAWS)
  }

  get undoable(): boolean {
    return this.#before.length > 0
  }

  /** The changed draft becomes one of its own; the first one stays as it was. */
  async keep(name: string): Promise<PlanDraft> {
    const draft = this.draft
    if (draft === undefined) throw new Error('no draft is open')
    const places = this.spots.map(({ changed: _, ...spot }) => spot)
    const id = await this.ask({ target: draft.target, name, as_is: { from: draft.draft, places } })
    const made = await this.done(id)
    await this.read()
    this.#forget()
    this.draft = made
    this.#tell(BAND_DRAWS)
    return made
  }

  async adopt(name: string, reason: string): Promise<Receipt> {
    const draft = this.changes > 0 ? await this.keep(name) : this.draft
    if (draft === undefined) throw new Error('no draft is open')
    const receipt = await api.post<Receipt>(`/plans/${draft.draft}/adopt`, { reason })
    await this.read()
    return receipt
  }

  #keep(): void {
    this.#before = [...this.#before.slice(-49), this.edits]
  }

  #forget(): void {
    this.edits = NO_EDITS
    this.#before = []
    this.effect = undefined
    this.effectError = undefined
    this.moving = false
    this.#whatIf.forget()
  }

  #tell(draws: number): void {
    const draft = this.draft
    if (draft === undefined) return
    this.#whatIf.put({
      target: draft.target, draft: draft.draft, draws,
      moved: [...this.edits.moved].map(([label, at]) => ({ label, lat: at.lat, lon: at.lon })),
      added: [...this.edits.added.values()].map(({ lat, lon }) => ({ lat, lon })),
      removed: [...this.edits.removed],
    })
  }
}

export const work = new PlanWork()
