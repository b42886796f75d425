// UUIDv7 (RFC 9562) that always increase on one device, even when its clock goes back or stands still.

import { uuidBytes, uuidText } from './bytes'

const COUNTER_BITS = 74n
const MOST = (1n << COUNTER_BITS) - 1n

interface Parts { ms: number; rest: bigint }

function split(id: string): Parts {
  const bytes = uuidBytes(id)
  let all = 0n
  for (const byte of bytes) all = (all << 8n) | BigInt(byte)
  const ms = Number(all >> 80n)
  const a = (all >> 64n) & 0xfffn
  const b = all & ((1n << 62n) - 1n)
  return { ms, rest: (a << 62n) | b }
}

function join({ ms, rest }: Parts): string {
  const a = rest >> 62n
  const b = rest & ((1n << 62n) - 1n)
  let all = (BigInt(ms) << 80n) | (7n << 76n) | (a << 64n) | (2n << 62n) | b
  const bytes = new Uint8Array(16)
  for (let i = 15; i >= 0; i--) {
    bytes[i] = Number(all & 0xffn)
    all >>= 8n
  }
  return uuidText(bytes)
}

function random(): bigint {
  const bytes = crypto.getRandomValues(new Uint8Array(10))
  let out = 0n
  for (const byte of bytes) out = (out << 8n) | BigInt(byte)
  // The highest bit stays free, so that counting on from a random start never runs over at once.
  return (out & MOST) >> 1n
}

/** The next id after `last`: of this moment, or, where the clock has not moved on since `last`, the one that follows it. */
export function nextId(last: string | null, now: number): string {
  const before = last === null ? undefined : split(last)
  if (before === undefined || now > before.ms) return join({ ms: now, rest: random() })
  if (before.rest < MOST) return join({ ms: before.ms, rest: before.rest + 1n })
  return join({ ms: before.ms + 1, rest: random() })
}
