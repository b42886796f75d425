// The items of a pest report (ISPM 17, section 6.1), in the standard's order.

import type { Issued, ReportDraft, ReportItem } from './shapes'

export const ITEMS = ['pest', 'date', 'hosts', 'status', 'distribution', 'map', 'danger', 'measures', 'purpose', 'record'] as const
export type ItemId = (typeof ITEMS)[number]

/** Own words that say something. */
export function givenItems(own: Iterable<readonly [string, string]>): Record<string, string> {
  return Object.fromEntries([...own].map(([id, text]) => [id, text.trim()] as const).filter(([, text]) => text !== ''))
}

export const textOf = (items: readonly ReportItem[] | undefined, id: string): string | undefined => items?.find((item) => item.item === id)?.text

export type Standing = 'missing' | 'may-lack' | 'changed' | 'same'
export function standingOf(draft: ReportDraft, id: string): Standing {
  if (draft.missing.includes(id)) return 'missing'
  if (textOf(draft.items, id) === undefined) return 'may-lack'
  return draft.changed.includes(id) ? 'changed' : 'same'
}

/** A report as plain text, for a letter or a form. `names`: of items; an id that is not known stands as it is. */
export function plainText(report: Issued, head: readonly string[], names: Record<string, string>): string {
  const items = report.items.map((item) => `${names[item.item] ?? item.what}\n${item.text}`)
  return [head.filter((line) => line !== '').join('\n'), ...items].join('\n\n')
}
