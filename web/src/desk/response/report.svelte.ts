// The pest report that somebody works on: their own words live as long as the window, one report for each find.

import { SvelteMap } from 'svelte/reactivity'
import { api } from '../../lib/api/client'
import { callOf } from './case'
import { givenItems } from './items'
import type { ReportDraft } from './shapes'

export class ReportWork {
  /** Own words by item. */
  readonly own = new SvelteMap<string, string>()
  draft = $state.raw<ReportDraft | undefined>(undefined)
  /** What the record tells by itself, without anybody's words. */
  record = $state.raw<ReportDraft | undefined>(undefined)
  error = $state.raw<unknown>(undefined)
  readonly #find: string

  constructor(find: string) {
    this.#find = find
  }

  get items(): Record<string, string> {
    return givenItems(this.own)
  }

  /** What the report would be with the words as they stand. */
  async see(): Promise<void> {
    const ask = (items: Record<string, string>): Promise<ReportDraft> => api.post<ReportDraft>(callOf(this.#find, '/report/draft'), { items })
    this.error = undefined
    try {
      const record = await ask({})
      this.draft = Object.keys(this.items).length === 0 ? record : await ask(this.items)
      this.record = record
    } catch (e) {
      this.error = e
    }
  }
}

const all = new Map<string, ReportWork>()

export function reportOf(find: string): ReportWork {
  const work = all.get(find) ?? new ReportWork(find)
  all.set(find, work)
  return work
}
