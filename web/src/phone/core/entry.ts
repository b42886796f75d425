// An entry of the journal, its hash and its signature, as crates/journal/FORMAT.md says.

import { blake3 } from '@noble/hashes/blake3.js'
import { concat, fields, fromHex, toHex, u32, u64, utf8, uuidBytes, type Bytes } from './bytes'

export interface Unsigned {
  id: string
  device: string
  number: number
  previous: string | null
  event_time: string
  recorded_time: string
  person: string
  kind: string
  body_version: number
  /** Canonical JSON, exactly as it is hashed. */
  body: string
}

export interface Entry extends Unsigned {
  hash: string
  signature: string | null
}

export function hashOf(bytes: Uint8Array): string {
  return toHex(blake3(bytes))
}

export function entryHash(entry: Unsigned): string {
  return hashOf(fields(
    utf8('earlywood/entry/1'),
    uuidBytes(entry.id),
    uuidBytes(entry.device),
    u64(entry.number),
    entry.previous === null ? new Uint8Array() : fromHex(entry.previous),
    utf8(entry.event_time),
    utf8(entry.recorded_time),
    utf8(entry.person),
    utf8(entry.kind),
    u32(entry.body_version),
    utf8(entry.body),
  ))
}

/** The bytes that a device signs for an entry. */
export function signedBytes(hash: string): Bytes {
  return concat(utf8('earlywood/signature/1'), fromHex(hash))
}

/** The bytes that a device signs for anything that is not an entry. */
export function messageBytes(...parts: Uint8Array[]): Bytes {
  return concat(utf8('earlywood/message/1'), fields(...parts))
}
