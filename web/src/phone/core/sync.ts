// The sync message, version 1, as crates/journal/SYNC.md says: lines of JSON, the last of which proves the others whole.

import { concat, fromBase64, text, toBase64, utf8, type Bytes } from './bytes'
import { hashOf, type Entry } from './entry'

export interface Head { device: string; number: number; hash: string }
export interface Offer { programme: string; heads: Head[]; wants: string[] }
export interface Content { hash: string; bytes: Bytes }
export interface Bundle extends Offer { complete: boolean; entries: Entry[]; contents: Content[] }

/** The words say where a message is damaged. */
export class BadMessage extends Error {}

const byDevice = (a: Head, b: Head): number => (a.device < b.device ? -1 : a.device > b.device ? 1 : 0)

function sealed(lines: string[], entries: number, contents: number): Bytes {
  const body = utf8(lines.map((line) => `${line}\n`).join(''))
  const end = { end: { entries, contents, blake3: hashOf(body) } }
  return concat(body, utf8(`${JSON.stringify(end)}\n`))
}

const heads = (from: Head[]): Head[] => [...from].sort(byDevice).map(({ device, number, hash }) => ({ device, number, hash }))

export function writeOffer(offer: Offer): Bytes {
  const first = { 'earlywood-sync': 1, message: 'offer', programme: offer.programme, heads: heads(offer.heads), wants: [...offer.wants].sort() }
  return sealed([JSON.stringify(first)], 0, 0)
}

/** The line of one entry, with the keys in the order of SYNC.md and no others. */
export function entryLine(e: Entry): string {
  const { id, device, number, previous, event_time, recorded_time, person, kind, body_version, body, hash, signature } = e
  return JSON.stringify({ entry: { id, device, number, previous, event_time, recorded_time, person, kind, body_version, body, hash, signature } })
}

export function writeBundle(bundle: Bundle): Bytes {
  const first = {
    'earlywood-sync': 1, message: 'bundle', programme: bundle.programme, complete: bundle.complete,
    heads: heads(bundle.heads), wants: [...bundle.wants].sort(),
  }
  const lines = [
    JSON.stringify(first),
    ...bundle.entries.map(entryLine),
    ...bundle.contents.map(({ hash, bytes }) => JSON.stringify({ content: { hash, base64: toBase64(bytes) } })),
  ]
  return sealed(lines, bundle.entries.length, bundle.contents.length)
}

type Line = Record<string, unknown>

function parsed(line: string, number: number): Line {
  try {
    const value: unknown = JSON.parse(line)
    if (typeof value === 'object' && value !== null && !Array.isArray(value)) return value as Line
  } catch {
    // Said below.
  }
  throw new BadMessage(`line ${number} is no JSON object`)
}

function isHead(value: unknown): value is Head {
  const head = value as Partial<Head> | null
  return typeof head === 'object' && head !== null && typeof head.device === 'string' && Number.isSafeInteger(head.number)
    && typeof head.hash === 'string' && /^[0-9a-f]{64}$/.test(head.hash)
}

function readFirst(line: Line, message: string): Offer {
  if (typeof line['earlywood-sync'] !== 'number') throw new BadMessage('line 1 does not begin a sync message')
  if (line['earlywood-sync'] > 1) throw new BadMessage(`the message is of version ${line['earlywood-sync']}; this app reads version 1`)
  if (line['message'] !== message) throw new BadMessage(`expected: ${message}`)
  const { programme, heads: ends, wants } = line
  const good = typeof programme === 'string' && Array.isArray(ends) && ends.every(isHead) && Array.isArray(wants) && wants.every((want) => typeof want === 'string')
  if (!good) throw new BadMessage('line 1 lacks the programme, the heads or the wants')
  return { programme, heads: ends, wants }
}

/** The lines of a message, once its end was compared. */
function linesOf(bytes: Bytes): Line[] {
  const whole = text(bytes)
  if (!whole.endsWith('\n')) throw new BadMessage('the message was cut off')
  const lines = whole.slice(0, -1).split('\n')
  const last = lines.pop()
  if (last === undefined || lines.length === 0) throw new BadMessage('the message was cut off')
  const end = parsed(last, lines.length + 1)['end'] as { entries?: number; contents?: number; blake3?: string } | undefined
  if (end === undefined) throw new BadMessage('the message was cut off')
  const before = bytes.subarray(0, bytes.length - utf8(last).length - 1)
  if (end.blake3 !== hashOf(before)) throw new BadMessage('the message was altered on its way')
  if ((end.entries ?? -1) + (end.contents ?? -1) !== lines.length - 1) throw new BadMessage('the message lacks lines')
  return lines.map((line, i) => parsed(line, i + 1))
}

export function readOffer(bytes: Bytes): Offer {
  const [first, ...rest] = linesOf(bytes)
  if (first === undefined || rest.length > 0) throw new BadMessage('an offer has a first and a last line only')
  return readFirst(first, 'offer')
}

export function readBundle(bytes: Bytes): Bundle {
  const [first, ...rest] = linesOf(bytes)
  if (first === undefined) throw new BadMessage('the message is empty')
  const offer = readFirst(first, 'bundle')
  const bundle: Bundle = { ...offer, complete: first['complete'] === true, entries: [], contents: [] }
  for (const line of rest) {
    if (line['entry'] !== undefined) bundle.entries.push(line['entry'] as Entry)
    else if (line['content'] !== undefined) {
      const { hash, base64 } = line['content'] as { hash: string; base64: string }
      bundle.contents.push({ hash, bytes: fromBase64(base64) })
    } else throw new BadMessage('a line is neither an entry nor a content')
  }
  return bundle
}

/** Under gzip, where the browser can; the form of a file carried by hand. */
export async function zipped(bytes: Bytes): Promise<Bytes> {
  const stream = new Blob([bytes]).stream().pipeThrough(new CompressionStream('gzip'))
  return new Uint8Array(await new Response(stream).arrayBuffer())
}

export async function unzipped(bytes: Bytes): Promise<Bytes> {
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream('gzip'))
  return new Uint8Array(await new Response(stream).arrayBuffer())
}
