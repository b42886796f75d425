// The device's key. Where the browser can, a WebCrypto key that nothing can read out; else a seed beside the entries.

import { ed25519 } from '@noble/curves/ed25519.js'
import { fromHex, type Bytes } from './bytes'

/** What is kept in the database. Both forms survive its structured clone. */
export type KeptKey =
  | { form: 'webcrypto'; publicKey: string; key: CryptoKey }
  | { form: 'seed'; publicKey: string; seed: Bytes }

function hex(bytes: Uint8Array): string {
  return Array.from(bytes, (b) => b.toString(16).padStart(2, '0')).join('')
}

/** A new key; `plain` asks for the seed form. */
export async function newKey(plain = false): Promise<KeptKey> {
  if (!plain && globalThis.crypto?.subtle !== undefined) {
    try {
      const pair = await crypto.subtle.generateKey({ name: 'Ed25519' }, false, ['sign', 'verify']) as CryptoKeyPair
      const publicKey = hex(new Uint8Array(await crypto.subtle.exportKey('raw', pair.publicKey)))
      return { form: 'webcrypto', publicKey, key: pair.privateKey }
    } catch {
      // An older browser: it knows WebCrypto, but not this curve.
    }
  }
  const seed = crypto.getRandomValues(new Uint8Array(32))
  return { form: 'seed', publicKey: hex(ed25519.getPublicKey(seed)), seed }
}

export async function sign(kept: KeptKey, message: Bytes): Promise<string> {
  if (kept.form === 'seed') return hex(ed25519.sign(message, kept.seed))
  return hex(new Uint8Array(await crypto.subtle.sign({ name: 'Ed25519' }, kept.key, message)))
}

/** Strict as RFC 8032: one spelling of each signature. */
export function isSigned(publicKey: string, message: Uint8Array, signature: string): boolean {
  try {
    return ed25519.verify(fromHex(signature), message, fromHex(publicKey), { zip215: false })
  } catch {
    return false
  }
}
