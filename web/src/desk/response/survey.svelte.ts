// Surveys on the drawing board, one for each find.

import { api } from '../../lib/api/client'
import type { Day, Receipt } from '../../lib/api/types'
import { Drafting } from '../parts/draft.svelte'
import { written } from '../parts/write'
import { callOf } from './case'
import type { Method, SurveyAsk, SurveyDraft } from './shapes'

const DRAFTS = '/responses/surveys'

export interface Asking { traps: string; hours: string; heavy: string[] }

export class SurveyWork extends Drafting<SurveyDraft> {
  asking = $state<Asking>({ traps: '', hours: '', heavy: [] })
  readonly #find: string

  constructor(find: string) {
    super(DRAFTS)
    this.#find = find
  }

  ask(ask: SurveyAsk): Promise<void> {
    return this.begin(callOf(this.#find, '/surveys'), ask)
  }

  async adopt(what: { method: Method; from?: Day; to?: Day; reason: string }): Promise<Receipt> {
    const receipt = await api.post<Receipt>(`${DRAFTS}/${this.draft?.draft ?? ''}/adopt`, what)
    this.forget()
    written()
    return receipt
  }
}

const all = new Map<string, SurveyWork>()

export function surveyOf(find: string): SurveyWork {
  const work = all.get(find) ?? new SurveyWork(find)
  all.set(find, work)
  return work
}
