// Bytes and how they are spelled: hexadecimal, base64, UTF-8, ids, and the length-prefixed fields that are hashed and signed.

export type Bytes = Uint8Array<ArrayBuffer>

const HEX = Array.from({ length: 256 }, (_, i) => i.toString(16).padStart(2, '0'))

export function toHex(bytes: Uint8Array): string {
  let out = ''
  for (const byte of bytes) out += HEX[byte]
  return out
}

export function fromHex(text: string): Bytes {
  if (text.length % 2 !== 0 || /[^0-9a-f]/.test(text)) throw new Error('not lower-case hexadecimal')
  return Uint8Array.from({ length: text.length / 2 }, (_, i) => parseInt(text.slice(2 * i, 2 * i + 2), 16))
}

export function utf8(text: string): Bytes {
  return new TextEncoder().encode(text) as Bytes
}

export function text(bytes: Uint8Array): string {
  return new TextDecoder('utf-8', { fatal: true, ignoreBOM: true }).decode(bytes)
}

export function toBase64(bytes: Uint8Array): string {
  let binary = ''
  // In slices: `fromCharCode` takes its bytes as arguments, and a stack is not endless.
  for (let i = 0; i < bytes.length; i += 0x8000) binary += String.fromCharCode(...bytes.subarray(i, i + 0x8000))
  return btoa(binary)
}

export function fromBase64(base64: string): Bytes {
  return Uint8Array.from(atob(base64), (c) => c.charCodeAt(0))
}

export function concat(...parts: Uint8Array[]): Bytes {
  const out = new Uint8Array(parts.reduce((sum, part) => sum + part.length, 0))
  let at = 0
  for (const part of parts) {
    out.set(part, at)
    at += part.length
  }
  return out
}

export function u32(value: number): Bytes {
  const out = new Uint8Array(4)
  new DataView(out.buffer).setUint32(0, value)
  return out
}

export function u64(value: number): Bytes {
  const out = new Uint8Array(8)
  new DataView(out.buffer).setBigUint64(0, BigInt(value))
  return out
}

/** Each field as its length in bytes (32 bits, big-endian) and then its bytes. */
export function fields(...values: Uint8Array[]): Bytes {
  return concat(...values.flatMap((value) => [u32(value.length), value]))
}

const UUID = /^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$/

export function uuidBytes(id: string): Bytes {
  if (!UUID.test(id)) throw new Error(`not an id: ${id}`)
  return fromHex(id.replaceAll('-', ''))
}

export function uuidText(bytes: Uint8Array): string {
  const hex = toHex(bytes)
  return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20, 32)].join('-')
}

export function same(a: Uint8Array, b: Uint8Array): boolean {
  return a.length === b.length && a.every((byte, i) => byte === b[i])
}
