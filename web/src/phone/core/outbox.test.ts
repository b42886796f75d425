import 'fake-indexeddb/auto'
import { ed25519 } from '@noble/curves/ed25519.js'
import { afterEach, describe, expect, it, vi } from 'vitest'
import { toHex, type Bytes } from './bytes'
import { Away, Line, Refused, replyMessage, requestMessage, type Accepted } from './calls'
import { openDatabase, type Database, type Device } from './db'
import { entryHash, hashOf, signedBytes, type Entry } from './entry'
import { isSigned, newKey } from './keys'
import { firstFault, NoRoom, Outbox, SavedBefore, webLock, type Draw } from './outbox'
import { exported, nextPart, sendAll } from './send'
import { readBundle, unzipped, writeOffer, type Bundle, type Offer } from './sync'

const PROGRAMME = '01900000-0000-7000-8000-000000000001'
const SERVER = '01900000-0000-7000-8000-000000000002'
const DEVICE = '01900000-0000-7000-8000-000000000003'
const serverSeed = new Uint8Array(32).fill(7)
const serverKey = toHex(ed25519.getPublicKey(serverSeed))

let count = 0
async function phone(): Promise<{ db: Database; device: Device; outbox: Outbox; name: string }> {
  const name = `phone-${count++}`
  const db = await openDatabase(name)
  const device: Device = {
    device: DEVICE, key: await newKey(), code: 'c',
    enrolled: { programme: { id: PROGRAMME, name: 'X' }, person: 'p-1', server: { device: SERVER, key: serverKey } },
  }
  await db.put('device', device, 'this')
  return { db, device, outbox: new Outbox(db), name }
}

const visit = (n: number, photos: string[] = []): Draw => ({ kind: 'visit-made', version: 2, body: { n, trap: 'T-1' }, event_time: '2026-05-01T09:30:00-07:00', about: `T-${n}`, photos })
const photo = (n: number): { hash: string; bytes: Bytes; media: string } => {
  const bytes = new Uint8Array(1_000).fill(n) as Bytes
  return { hash: hashOf(bytes), bytes, media: 'image/jpeg' }
}

/** A small random generator with a seed (mulberry32), so that a failure can be had again. */
function dice(seed: number): () => number {
  return () => {
    seed = (seed + 0x6d2b79f5) | 0
    let t = Math.imul(seed ^ (seed >>> 15), 1 | seed)
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t
    return ((t ^ (t >>> 14)) >>> 0) / 4_294_967_296
  }
}

afterEach(() => vi.restoreAllMocks())

describe('the outbox', () => {
  it('writes one chain, signed, with the photos of an entry', async () => {
    const { outbox, device } = await phone()
    await outbox.record(device, [visit(1)])
    const two = await outbox.record(device, [visit(2, [photo(1).hash]), visit(3, [photo(1).hash])], { photos: [photo(1)] })
    expect(two.map((e) => e.number)).toEqual([2, 3])
    const kept = await outbox.entries()
    expect(firstFault(DEVICE, kept, await outbox.head())).toBeUndefined()
    for (const { entry } of kept) expect(isSigned(device.key.publicKey, signedBytes(entryHash(entry)), entry.signature ?? '')).toBe(true)
    expect((await outbox.unsentPhotos()).map((p) => p.number)).toEqual([3])
  })

  it('survives aborts at random points: the chain has no gaps, and what was acknowledged is there, whole', async () => {
    const { outbox, device, name } = await phone()
    const roll = dice(20260501)
    const acknowledged: Entry[] = []
    const { add, put } = IDBObjectStore.prototype
    let fuse = Infinity
    const faulty = (really: typeof add) => function (this: IDBObjectStore, ...args: Parameters<typeof add>) {
      if (fuse-- <= 0) {
        fuse = Infinity
        const kind = roll()
        if (kind < 0.4) throw new DOMException('full', 'QuotaExceededError')
        this.transaction.abort()
      }
      return really.apply(this, args)
    }
    vi.spyOn(IDBObjectStore.prototype, 'add').mockImplementation(faulty(add))
    vi.spyOn(IDBObjectStore.prototype, 'put').mockImplementation(faulty(put))
    let failures = 0
    for (let tap = 0; tap < 300; tap++) {
      const draws = Array.from({ length: 1 + Math.floor(roll() * 3) }, (_, i) => visit(10 * tap + i, [photo(tap % 200).hash]))
      fuse = roll() < 0.5 ? Math.floor(roll() * 8) : Infinity
      try {
        acknowledged.push(...await outbox.record(device, draws, { photos: [photo(tap % 200)] }))
      } catch {
        failures++
      }
      fuse = Infinity
    }
    vi.restoreAllMocks()
    expect(failures).toBeGreaterThan(50)
    // As after a restart: from the database alone.
    const again = new Outbox(await openDatabase(name))
    const kept = await again.entries()
    expect(firstFault(DEVICE, kept, await again.head())).toBeUndefined()
    expect(kept.map((k) => k.entry)).toEqual(acknowledged)
    for (const { photos } of kept) for (const hash of photos) expect(await again.content(hash)).toBeDefined()
  })

  it('says when there is no room, and writes nothing by halves', async () => {
    const { outbox, device } = await phone()
    const { put } = IDBObjectStore.prototype
    vi.spyOn(IDBObjectStore.prototype, 'put').mockImplementation(function (this: IDBObjectStore, ...args: Parameters<typeof put>) {
      if (this.name === 'contents') throw new DOMException('full', 'QuotaExceededError')
      return put.apply(this, args)
    })
    await expect(outbox.record(device, [visit(1, [photo(1).hash])], { photos: [photo(1)] })).rejects.toBeInstanceOf(NoRoom)
    vi.restoreAllMocks()
    expect(await outbox.entries()).toEqual([])
    expect((await outbox.record(device, [visit(1)]))[0]?.number).toBe(1)
  })

  it('does not fork the chain when two tabs write at once, even without locks between them', async () => {
    const { outbox, device, name } = await phone()
    const free = <T>(_: string, run: () => Promise<T>): Promise<T> => run()
    const tabs = [new Outbox(await openDatabase(name), free), new Outbox(await openDatabase(name), free)]
    await Promise.all(Array.from({ length: 12 }, (_, i) => tabs[i % 2]?.record(device, [visit(i)]).catch(() => undefined)))
    const kept = await outbox.entries()
    expect(kept.length).toBeGreaterThan(1)
    expect(firstFault(DEVICE, kept, await outbox.head())).toBeUndefined()
    const locked = [new Outbox(await openDatabase(name), webLock), new Outbox(await openDatabase(name), webLock)]
    await Promise.all(Array.from({ length: 12 }, (_, i) => locked[i % 2]?.record(device, [visit(i)])))
    expect((await outbox.entries()).length).toBe(kept.length + 12)
  })

  it('saves a form once, and drops the photos that were taken off it', async () => {
    const { outbox, device } = await phone()
    await outbox.keepDraft('stop:T-1', { found: 'working' })
    for (const n of [1, 2]) await outbox.keepDraftPhoto('stop:T-1', photo(n))
    await outbox.record(device, [visit(1, [photo(1).hash])], { draft: 'stop:T-1' })
    await expect(outbox.record(device, [visit(1)], { draft: 'stop:T-1' })).rejects.toBeInstanceOf(SavedBefore)
    expect((await outbox.entries()).length).toBe(1)
    expect(await outbox.content(photo(1).hash)).toMatchObject({ number: 1 })
    expect(await outbox.content(photo(2).hash)).toBeUndefined()
    await outbox.dropDraftPhoto(photo(1).hash)
    expect(await outbox.content(photo(1).hash)).toBeDefined()
  })
})

/** A server's side of `give`, in memory: keeps what it is given, checks as the journal does, signs its answer. */
class Office {
  entries: Entry[] = []
  contents = new Map<string, Bytes>()
  requests = 0
  lose = (): 'no' | 'request' | 'reply' => 'no'
  readonly #challenges = new Set<string>()
  readonly publicKey: string

  constructor(publicKey: string) {
    this.publicKey = publicKey
  }

  #challenge(): string {
    const challenge = toHex(crypto.getRandomValues(new Uint8Array(32)))
    this.#challenges.add(challenge)
    return challenge
  }

  offer(): Offer {
    const last = this.entries.at(-1)
    const wants = this.entries.flatMap((e) => (JSON.parse(e.body) as { photos?: string[] }).photos ?? []).filter((hash) => !this.contents.has(hash))
    return { programme: PROGRAMME, heads: last === undefined ? [] : [{ device: DEVICE, number: last.number, hash: last.hash }], wants: [...new Set(wants)] }
  }

  fetch = (async (input: string, init: RequestInit): Promise<Response> => {
    if (input.endsWith('/sync/challenge')) return Response.json({ challenge: this.#challenge(), expires_in_s: 120 })
    this.requests++
    const lost = this.lose()
    if (lost === 'request') throw new TypeError('network')
    const header = (name: string): string => (init.headers as Record<string, string>)[name] ?? ''
    const body = init.body as Bytes
    const challenge = header('earlywood-challenge')
    const signed = requestMessage(PROGRAMME, DEVICE, 'give', challenge, hashOf(body))
    if (!this.#challenges.delete(challenge)) return Response.json({ code: 'challenge-used', words: 'used' }, { status: 401 })
    if (!isSigned(this.publicKey, signed, header('earlywood-signature'))) return Response.json({ code: 'bad-signature', words: 'no' }, { status: 401 })
    this.take(readBundle(header('content-encoding') === 'gzip' ? await unzipped(body) : body))
    if (lost === 'reply') throw new TypeError('network')
    const reply = writeOffer(this.offer())
    const accepted: Accepted = { new: 0, known: 0, contents: 0, 'held-back': [], conflicts: 0 }
    const text = JSON.stringify(accepted)
    const message = replyMessage(PROGRAMME, SERVER, challenge, text, hashOf(reply))
    return new Response(reply, {
      headers: {
        'earlywood-device': SERVER, 'earlywood-body-hash': hashOf(reply), 'earlywood-accepted': text, 'earlywood-challenge': this.#challenge(),
        'earlywood-signature': toHex(ed25519.sign(message, serverSeed)),
      },
    })
  }) as unknown as typeof fetch

  take(bundle: Bundle): void {
    for (const entry of bundle.entries) {
      const there = this.entries[entry.number - 1]
      if (there !== undefined) {
        expect(there).toEqual(entry)
        continue
      }
      expect(entry.number).toBe(this.entries.length + 1)
      expect(entry.previous).toBe(this.entries.at(-1)?.hash ?? null)
      expect(entryHash(entry)).toBe(entry.hash)
      this.entries.push(entry)
    }
    for (const { hash, bytes } of bundle.contents) {
      expect(hashOf(bytes)).toBe(hash)
      this.contents.set(hash, bytes)
    }
  }
}

const withPhotos = (n: number, hash: string): Draw => ({ ...visit(n, [hash]), body: { n, photos: [hash] } })

describe('sending', () => {
  it('gives all in parts, though the network loses requests and replies, and frees the photos', async () => {
    const { outbox, device } = await phone()
    const office = new Office(device.key.publicKey)
    const roll = dice(7)
    for (let i = 0; i < 30; i++) await outbox.record(device, [withPhotos(i, photo(i).hash)], { photos: [photo(i)] })
    office.lose = () => (roll() < 0.3 ? 'request' : roll() < 0.4 ? 'reply' : 'no')
    const line = new Line(device, office.fetch)
    let outcome = await sendAll(device, outbox, line)
    for (let i = 0; i < 40 && outcome.is === 'away'; i++) outcome = await sendAll(device, outbox, line)
    expect(outcome).toEqual({ is: 'done' })
    expect(office.entries.length).toBe(30)
    expect(office.contents.size).toBe(30)
    expect(await outbox.unsent()).toEqual([])
    expect(await outbox.unsentPhotos()).toEqual([])
    expect((await outbox.entries()).length).toBe(30)
    const before = office.requests
    expect(await sendAll(device, outbox, line)).toEqual({ is: 'done' })
    expect(office.requests).toBe(before)
  })

  it('cuts parts by size, entries before photos, and always moves on', async () => {
    const { outbox, device } = await phone()
    for (let i = 0; i < 5; i++) await outbox.record(device, [withPhotos(i, photo(i).hash)], { photos: [photo(i)] })
    const [unsent, photos] = [await outbox.unsent(), await outbox.unsentPhotos()]
    expect(nextPart(unsent, photos, 1).entries.map((e) => e.number)).toEqual([1])
    expect(nextPart(unsent, photos, 1 << 20)).toMatchObject({ complete: false, contents: [] })
    expect(nextPart([], photos, 2_500).contents.length).toBe(2)
    expect(nextPart([], photos, 1 << 20).complete).toBe(true)
  })

  it('marks nothing on an answer that the known server did not sign', async () => {
    const { outbox, device } = await phone()
    const office = new Office(device.key.publicKey)
    await outbox.record(device, [visit(1)])
    const other: Device = { ...device, enrolled: { ...device.enrolled!, server: { device: SERVER, key: toHex(ed25519.getPublicKey(new Uint8Array(32).fill(8))) } } }
    expect(await sendAll(other, outbox, new Line(other, office.fetch))).toMatchObject({ is: 'trouble' })
    expect((await outbox.unsent()).length).toBe(1)
    await expect(new Line(other, office.fetch).give(new Uint8Array())).rejects.toBeInstanceOf(Error)
  })

  it('stops at a fork and when it was withdrawn, and keeps everything', async () => {
    const { outbox, device } = await phone()
    await outbox.record(device, [visit(1)])
    const elsewhere: Offer = { programme: PROGRAMME, heads: [{ device: DEVICE, number: 1, hash: 'ab'.repeat(32) }], wants: [] }
    const give = (offer: Offer) => ({ give: async () => ({ offer, accepted: undefined }) })
    expect(await sendAll(device, outbox, give(elsewhere))).toMatchObject({ is: 'stopped', code: 'fork' })
    const ahead = { ...elsewhere, heads: [{ device: DEVICE, number: 9, hash: 'ab'.repeat(32) }] }
    expect(await sendAll(device, outbox, give(ahead))).toMatchObject({ is: 'stopped', code: 'fork' })
    const no = { give: async () => Promise.reject(new Refused(403, { code: 'not-enrolled', words: 'gone' })) }
    expect(await sendAll(device, outbox, no)).toEqual({ is: 'stopped', code: 'not-enrolled', words: 'gone' })
    expect(await sendAll(device, outbox, { give: async () => Promise.reject(new Away('')) })).toEqual({ is: 'away' })
    expect((await outbox.unsent()).length).toBe(1)
    const file = readBundle(await exported(device, outbox, false))
    expect(file.entries.length).toBe(1)
    expect(file.heads[0]).toMatchObject({ number: 1 })
  })

  it('forgets old sent entries from the oldest on, and never the head', async () => {
    const { db, device } = await phone()
    let now = Date.parse('2026-05-01T12:00:00Z')
    const outbox = new Outbox(db, webLock, () => now)
    for (let i = 0; i < 3; i++) await outbox.record(device, [visit(i)])
    const head = await outbox.head()
    const offer: Offer = { programme: PROGRAMME, heads: [{ device: DEVICE, number: head.number, hash: head.hash! }], wants: [] }
    await outbox.settle(DEVICE, offer)
    now += 61 * 86_400_000
    await outbox.settle(DEVICE, offer)
    expect((await outbox.entries()).map((e) => e.number)).toEqual([3])
    await outbox.record(device, [visit(4)])
    expect(firstFault(DEVICE, await outbox.entries(), await outbox.head())).toBeUndefined()
  })
})
