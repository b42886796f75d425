import { readdirSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import { ed25519 } from '@noble/curves/ed25519.js'
import { describe, expect, it } from 'vitest'
import { fromHex, toHex, uuidBytes, uuidText } from './bytes'
import { canonical } from './canonical'
import { entryHash, hashOf, signedBytes } from './entry'
import { nextId } from './ids'
import { isSigned, newKey, sign } from './keys'
import { readBundle, readOffer, unzipped, writeBundle, writeOffer, zipped } from './sync'

const FIXTURES = join(import.meta.dirname, '../../../../crates/journal/tests/fixtures/entries')

describe('canonical JSON', () => {
  it('reads and writes every frozen body to the same bytes', () => {
    const names = readdirSync(FIXTURES)
    expect(names.length).toBeGreaterThan(40)
    for (const name of names) {
      const kept = readFileSync(join(FIXTURES, name), 'utf8').trimEnd()
      expect(canonical(JSON.parse(kept)), name).toBe(kept)
    }
  })
  it('sorts by UTF-16 code units and writes numbers as ECMAScript does', () => {
    // The sorting example of RFC 8785, section 3.2.3.
    const keys = { '€': 1, '\r': 2, '\ufb33': 3, '1': 4, '😀': 5, '\u0080': 6, 'ö': 7 }
    expect(Object.keys(JSON.parse(canonical(keys))).filter((k) => k !== '1')).toEqual(['\r', '\u0080', 'ö', '€', '😀', '\ufb33'])
    expect(canonical([333333333.33333329, 1e30, 4.5, 2e-3, 1e-27, -0])).toBe('[333333333.3333333,1e+30,4.5,0.002,1e-27,0]')
    expect(canonical({ b: undefined, a: null })).toBe('{"a":null}')
  })
  it('refuses what other readers would change', () => {
    for (const bad of [NaN, Infinity, 2 ** 53, -(2 ** 60), '\ud800', () => 1]) expect(() => canonical(bad)).toThrow()
  })
})

describe('entries', () => {
  const entry = {
    id: '01900000-0000-7000-8000-000000000001', device: '01900000-0000-7000-8000-000000000002', number: 7, previous: '09'.repeat(32),
    event_time: '2026-05-01T09:30:00-07:00', recorded_time: '2026-05-01T16:30:05Z', person: 'crew-3', kind: 'trap-taken-down', body_version: 1,
    body: '{"date":"2026-05-01","trap":"A"}',
  }
  it('hash as the check value of FORMAT.md', () => {
    expect(entryHash(entry)).toBe('6e8dc45503e1841cb5df4a0ae3d3504fec4bd844a00fd4805fa856b9ccdaefb9')
  })
  it('hash differently for every field', () => {
    const others = [
      { id: '01900000-0000-7000-8000-000000000003' }, { device: '01900000-0000-7000-8000-000000000003' }, { number: 8 }, { previous: null },
      { event_time: '' }, { recorded_time: '' }, { person: '' }, { kind: '' }, { body_version: 2 }, { body: '' },
    ]
    expect(new Set([entry, ...others.map((other) => ({ ...entry, ...other }))].map(entryHash)).size).toBe(others.length + 1)
  })
  it('are signed with either form of key, and checked strictly', async () => {
    for (const plain of [true, false]) {
      const key = await newKey(plain)
      expect(key.form).toBe(plain ? 'seed' : 'webcrypto')
      const message = signedBytes(entryHash(entry))
      const signature = await sign(key, message)
      expect(isSigned(key.publicKey, message, signature)).toBe(true)
      expect(isSigned(key.publicKey, signedBytes('00'.repeat(32)), signature)).toBe(false)
      if (key.form === 'webcrypto') expect(key.key.extractable).toBe(false)
    }
    expect(isSigned('zz', new Uint8Array(), '00')).toBe(false)
  })
  it('sign as RFC 8032 says (test 2 of its section 7.1)', () => {
    const seed = fromHex('4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb')
    expect(toHex(ed25519.getPublicKey(seed))).toBe('3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c')
    expect(toHex(ed25519.sign(Uint8Array.of(0x72), seed)))
      .toBe('92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00')
  })
})

describe('ids', () => {
  it('are UUIDv7 that always increase, whatever the clock does', () => {
    let last: string | null = null
    let now = 1_780_000_000_000
    for (let i = 0; i < 3_000; i++) {
      now += [-5_000, 0, 0, 1, 700][i % 5] ?? 0
      const id = nextId(last, now)
      expect(id).toMatch(/^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$/)
      if (last !== null) expect(id > last).toBe(true)
      last = id
    }
    expect(parseInt(nextId(null, now).replaceAll('-', '').slice(0, 12), 16)).toBe(now)
  })
  it('go on into the next millisecond when one is used up', () => {
    expect(nextId('01900000-0000-7fff-bfff-ffffffffffff', 0) > '01900000-0000-7fff-bfff-ffffffffffff').toBe(true)
    expect(uuidText(uuidBytes('01900000-0000-7fff-bfff-ffffffffffff'))).toBe('01900000-0000-7fff-bfff-ffffffffffff')
  })
})

describe('the sync message', () => {
  const programme = '01900000-0000-7000-8000-000000000009'
  const bytes = Uint8Array.from({ length: 70_000 }, (_, i) => (i * 7) % 256)
  const bundle = {
    programme, complete: true, wants: [], heads: [{ device: programme, number: 1, hash: 'ab'.repeat(32) }], contents: [{ hash: hashOf(bytes), bytes }],
    entries: [{
      id: programme, device: programme, number: 1, previous: null, event_time: 'x', recorded_time: 'y', person: 'p', kind: 'k', body_version: 1, body: '{"é":"\\n"}',
      hash: 'ab'.repeat(32), signature: 'cd'.repeat(64),
    }],
  }
  it('comes back as it went, packed too', async () => {
    expect(readBundle(writeBundle(bundle))).toEqual(bundle)
    expect(readBundle(await unzipped(await zipped(writeBundle(bundle))))).toEqual(bundle)
    const offer = { programme, wants: ['aa', 'bb'], heads: bundle.heads }
    expect(readOffer(writeOffer(offer))).toEqual(offer)
  })
  it('is refused whole when it was cut off or altered anywhere', () => {
    const good = writeOffer({ programme, wants: ['aa'], heads: bundle.heads })
    for (let end = 0; end < good.length; end += 3) expect(() => readOffer(good.slice(0, end))).toThrow()
    for (let at = 0; at < good.length; at += 5) {
      const bad = good.slice()
      bad[at] = (bad[at] ?? 0) ^ 1
      expect(() => readOffer(bad), String(at)).toThrow()
    }
  })
})
