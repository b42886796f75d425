// Giving the outbox to the server, part by part: entries first, photos after. Every part may be cut off and given again.

import { Away, NotProved, Refused, type Accepted } from './calls'
import type { Device, KeptContent, KeptEntry } from './db'
import type { Outbox } from './outbox'
import { entryLine, writeBundle, type Bundle, type Offer } from './sync'
import type { Bytes } from './bytes'

/** What one part holds at most, before it is packed; one larger photo goes alone. Small parts pass a poor network. Design choice. */
const PART_BYTES = 512 << 10
const LEAST_BYTES = 32 << 10

export type Outcome =
  | { is: 'done' }
  | { is: 'away' }
  | { is: 'stopped'; code: 'not-enrolled' | 'fork' | 'wrong-key' | 'held'; words: string }
  | { is: 'trouble'; words: string }

interface Giver { give(bundle: Bytes): Promise<{ offer: Offer; accepted: Accepted | undefined }> }
export interface Progress { (left: { entries: number; photos: number }): void }

/** The part that goes next: consecutive entries, or else photos of entries that have arrived. */
export function nextPart(unsent: KeptEntry[], photos: KeptContent[], most: number): { entries: KeptEntry[]; contents: KeptContent[]; complete: boolean } {
  const entries: KeptEntry[] = []
  let size = 0
  for (const kept of unsent) {
    size += entryLine(kept.entry).length
    if (entries.length > 0 && size > most) return { entries, contents: [], complete: false }
    entries.push(kept)
  }
  const contents: KeptContent[] = []
  if (entries.length > 0) return { entries, contents, complete: photos.length === 0 }
  for (const photo of photos) {
    size += photo.bytes.length
    if (contents.length > 0 && size > most) return { entries, contents, complete: false }
    contents.push(photo)
  }
  return { entries, contents, complete: true }
}

async function bundleOf(device: Device, outbox: Outbox, part: { entries: KeptEntry[]; contents: KeptContent[]; complete: boolean }): Promise<Bytes> {
  const { number, hash } = await outbox.head()
  const bundle: Bundle = {
    programme: device.enrolled?.programme.id ?? '',
    heads: hash === null ? [] : [{ device: device.device, number, hash }],
    wants: [],
    complete: part.complete,
    entries: part.entries.map((kept) => kept.entry),
    contents: part.contents.map(({ hash: of, bytes }) => ({ hash: of, bytes })),
  }
  return writeBundle(bundle)
}

/** Gives all there is, and says how it ended. The caller sees to it that only one tab does. */
export async function sendAll(device: Device, outbox: Outbox, line: Giver, progress: Progress = () => {}): Promise<Outcome> {
  let most = PART_BYTES
  let stuck = 0
  for (;;) {
    const [unsent, photos] = [await outbox.unsent(), await outbox.unsentPhotos()]
    progress({ entries: unsent.length, photos: photos.length })
    if (unsent.length === 0 && photos.length === 0) return { is: 'done' }
    const part = nextPart(unsent, photos, most)
    try {
      const { offer, accepted } = await line.give(await bundleOf(device, outbox, part))
      if (!await outbox.settle(device.device, offer, part.contents.map((content) => content.hash))) {
        return { is: 'stopped', code: 'fork', words: '' }
      }
      const moved = unsent.length + photos.length - (await outbox.unsent()).length - (await outbox.unsentPhotos()).length
      stuck = moved > 0 ? 0 : stuck + 1
      if (stuck >= 2) {
        const why = accepted?.['held-back'].find((held) => held.device === device.device)?.why
        return why === undefined ? { is: 'trouble', words: '' } : { is: 'stopped', code: 'held', words: why }
      }
    } catch (error) {
      const smaller = smallerPart(error, most, part)
      if (smaller === undefined) return outcomeOf(error)
      most = smaller
    }
  }
}

/** A part that was too much for the network or the server is cut; one that can't be cut has failed. */
function smallerPart(error: unknown, most: number, part: { entries: unknown[]; contents: unknown[] }): number | undefined {
  const tooMuch = error instanceof Refused && (error.code === 'too-slow' || error.code === 'too-large' || error.code === 'cut-off')
  if (!tooMuch || most <= LEAST_BYTES || part.entries.length + part.contents.length <= 1) return undefined
  return Math.max(LEAST_BYTES, most >> 2)
}

export function outcomeOf(error: unknown): Outcome {
  if (error instanceof Away) return { is: 'away' }
  if (error instanceof NotProved) return { is: 'trouble', words: error.message }
  if (error instanceof Refused) {
    if (error.code === 'not-enrolled') return { is: 'stopped', code: 'not-enrolled', words: error.message }
    if (error.code === 'bad-signature' || error.code === 'wrong-programme') return { is: 'stopped', code: 'wrong-key', words: error.message }
    if (error.status === 503 || error.status === 408) return { is: 'away' }
    return { is: 'trouble', words: error.message }
  }
  throw error
}

/** All that has not arrived, as a bundle for a file. `everything`: all that the phone still keeps, for when the chain is in doubt. */
export async function exported(device: Device, outbox: Outbox, everything: boolean): Promise<Bytes> {
  const entries = everything ? await outbox.entries() : await outbox.unsent()
  return bundleOf(device, outbox, { entries, contents: await outbox.unsentPhotos(), complete: true })
}

/** What an earlier device of this phone had not sent when the phone was set up anew. */
export interface Aside { device: Device; entries: KeptEntry[]; contents: KeptContent[] }

export function exportedAside({ device, entries, contents }: Aside): Bytes {
  const last = entries.at(-1)?.entry
  return writeBundle({
    programme: device.enrolled?.programme.id ?? '',
    heads: last === undefined ? [] : [{ device: device.device, number: last.number, hash: last.hash }],
    wants: [],
    complete: true,
    entries: entries.map((kept) => kept.entry),
    contents: contents.map(({ hash, bytes }) => ({ hash, bytes })),
  })
}

/** Seconds to wait after so many failures: 5, 10, 20 … 5 minutes. Design choice. */
export function pause(failures: number): number {
  return Math.min(300, 5 * 2 ** Math.max(0, failures - 1))
}
