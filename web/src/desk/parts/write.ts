// Entries: the one way in which anything is written down.

import { api } from '../../lib/api/client'
import type { NewEntry, Receipt } from '../../lib/api/types'
import { session } from '../../lib/session.svelte'

export function entry(kind: string, body: object, version = 1): NewEntry {
  return { kind, version, body }
}

export async function write(kind: string, body: object, version = 1): Promise<Receipt> {
  const receipt = await api.post<Receipt>('/entries', entry(kind, body, version))
  written()
  return receipt
}

/** All or none. */
export async function writeAll(entries: NewEntry[]): Promise<Receipt[]> {
  const { receipts } = await api.post<{ receipts: Receipt[] }>('/entries/batch', { entries })
  written()
  return receipts
}

/** The journal has grown: who sits here is asked again, and with the new revision every screen reads again. */
export function written(): void {
  session.load().catch(() => undefined)
}
