// What was tapped and must never be lost. An entry counts as saved once the transaction that holds it, its photos and the
// new end of the chain has completed on the disk; not before, and never in part.

import { canonical } from './canonical'
import type { Bytes } from './bytes'
import type { ChainHead, Database, Device, Draft, KeptContent, KeptEntry } from './db'
import { entryHash, signedBytes, type Entry, type Unsigned } from './entry'
import { nextId } from './ids'
import { sign } from './keys'
import type { Head, Offer } from './sync'

/** One thing to be written down. */
export interface Draw { kind: string; version: number; body: object; event_time: string; about: string; photos?: string[] }
export interface NewPhoto { hash: string; bytes: Bytes; media: string }
export type Lock = <T>(name: string, run: () => Promise<T>) => Promise<T>

/** The form was saved before, perhaps in another tab. */
export class SavedBefore extends Error {}
/** The phone has no room left: nothing was written. */
export class NoRoom extends Error {}
/** Another tab wrote in between; tried again a few times, and still. */
class Overtaken extends Error {}

const NO_HEAD: ChainHead = { number: 0, hash: null, id: null }
const DAY_MS = 86_400_000
/** Entries stay on the phone this long after they were sent. Design choice. */
export const KEEP_DAYS = 60

let waiting: Promise<unknown> = Promise.resolve()

/** Web Locks where the browser has them (they hold between tabs), else a queue within this tab. */
export const webLock: Lock = (name, run) => {
  if (globalThis.navigator?.locks !== undefined) return navigator.locks.request(name, run) as ReturnType<typeof run>
  const turn = waiting.then(run, run)
  waiting = turn.catch(() => undefined)
  return turn
}

/** Errors of a full disk come by this name, as themselves or as the reason of an abort. */
export function isQuota(error: unknown): boolean {
  return error instanceof DOMException ? error.name === 'QuotaExceededError' : (error as Error | null)?.name === 'QuotaExceededError'
}

export class Outbox {
  readonly #db: Database
  readonly #lock: Lock
  readonly #now: () => number

  constructor(db: Database, lock: Lock = webLock, now: () => number = Date.now) {
    this.#db = db
    this.#lock = lock
    this.#now = now
  }

  async head(): Promise<ChainHead> {
    return (await this.#db.get('meta', 'head') as ChainHead | undefined) ?? NO_HEAD
  }

  /**
   * Writes entries of one tap, all or none, and gives them back once they are on the disk. `photos` may hold new ones;
   * those of the form `draft` are there already. With `draft`, that form is closed in the same transaction, so that it can't be saved twice.
   */
  async record(device: Device, draws: Draw[], options: { photos?: NewPhoto[]; draft?: string } = {}): Promise<Entry[]> {
    const person = device.enrolled?.person
    if (person === undefined) throw new Error('this phone is not set up')
    return this.#lock('earlywood-phone-write', async () => {
      for (let turn = 0; ; turn++) {
        const before = await this.head()
        const made = await this.#make(device, person, before, draws)
        try {
          return await this.#write(before, made, draws, options)
        } catch (error) {
          if (error instanceof Overtaken && turn < 5) continue
          throw isQuota(error) ? new NoRoom() : error
        }
      }
    })
  }

  async #make(device: Device, person: string, before: ChainHead, draws: Draw[]): Promise<Entry[]> {
    const made: Entry[] = []
    let { number, hash, id } = before
    for (const draw of draws) {
      const now = this.#now()
      id = nextId(id, now)
      number += 1
      const unsigned: Unsigned = {
        id, device: device.device, number, previous: hash, event_time: draw.event_time, recorded_time: new Date(now).toISOString(),
        person, kind: draw.kind, body_version: draw.version, body: canonical(draw.body),
      }
      hash = entryHash(unsigned)
      made.push({ ...unsigned, hash, signature: await sign(device.key, signedBytes(hash)) })
    }
    return made
  }

  async #write(before: ChainHead, made: Entry[], draws: Draw[], options: { photos?: NewPhoto[]; draft?: string }): Promise<Entry[]> {
    const tx = this.#db.transaction(['entries', 'contents', 'drafts', 'meta'], 'readwrite', { durability: 'strict' })
    // Its rejection is met below; a failed request aborts the transaction first, and would otherwise count as unhandled.
    const done = tx.done
    done.catch(() => undefined)
    try {
      const meta = tx.objectStore('meta')
      const now = (await meta.get('head') as ChainHead | undefined) ?? NO_HEAD
      if (now.number !== before.number || now.hash !== before.hash) throw new Overtaken()
      const { draft } = options
      if (draft !== undefined) {
        if (await tx.objectStore('drafts').get(draft) === undefined) throw new SavedBefore()
        await tx.objectStore('drafts').delete(draft)
      }
      const contents = tx.objectStore('contents')
      for (const photo of options.photos ?? []) await contents.put({ ...photo, number: 0 })
      const entries = tx.objectStore('entries')
      for (const [i, entry] of made.entries()) {
        const photos = draws[i]?.photos ?? []
        // `add`, not `put`: a second entry under one number fails here, whatever else went wrong.
        await entries.add({ number: entry.number, entry, saved_at: this.#now(), about: draws[i]?.about ?? '', photos })
        for (const hash of photos) {
          const kept = await contents.get(hash)
          if (kept === undefined) continue
          const { draft: _, ...rest } = kept
          await contents.put({ ...rest, number: entry.number })
        }
      }
      const last = made.at(-1)
      if (last !== undefined) await meta.put({ number: last.number, hash: last.hash, id: last.id } satisfies ChainHead, 'head')
      if (draft !== undefined) {
        // Photos that were taken off the form again.
        for (let cursor = await contents.openCursor(); cursor !== null; cursor = await cursor.continue()) {
          if (cursor.value.draft === draft) await cursor.delete()
        }
      }
    } catch (error) {
      try {
        tx.abort()
      } catch {
        // It had been aborted.
      }
      await done.catch(() => undefined)
      throw (error as Error).name === 'AbortError' ? (tx.error ?? error) : error
    }
    await done
    return made
  }

  /** All entries on the phone, oldest first. */
  async entries(): Promise<KeptEntry[]> {
    return this.#db.getAll('entries')
  }

  async unsent(): Promise<KeptEntry[]> {
    return (await this.entries()).filter((kept) => kept.sent_at === undefined)
  }

  /** Photos that belong to entries and have not arrived. */
  async unsentPhotos(): Promise<KeptContent[]> {
    return (await this.#db.getAll('contents')).filter((content) => content.number > 0)
  }

  async content(hash: string): Promise<KeptContent | undefined> {
    return this.#db.get('contents', hash)
  }

  // Forms that are open.

  async keepDraft(key: string, data: unknown): Promise<void> {
    try {
      await this.#db.put('drafts', { key, at: this.#now(), data })
    } catch (error) {
      throw isQuota(error) ? new NoRoom() : error
    }
  }

  async draft(key: string): Promise<Draft | undefined> {
    return this.#db.get('drafts', key)
  }

  async drafts(): Promise<Draft[]> {
    return this.#db.getAll('drafts')
  }

  async dropDraft(key: string): Promise<void> {
    const tx = this.#db.transaction(['drafts', 'contents'], 'readwrite')
    await tx.objectStore('drafts').delete(key)
    for (let cursor = await tx.objectStore('contents').openCursor(); cursor !== null; cursor = await cursor.continue()) {
      if (cursor.value.draft === key) await cursor.delete()
    }
    await tx.done
  }

  async keepDraftPhoto(draft: string, photo: NewPhoto): Promise<void> {
    try {
      const tx = this.#db.transaction('contents', 'readwrite', { durability: 'strict' })
      const kept = await tx.store.get(photo.hash)
      if (kept === undefined) await tx.store.put({ ...photo, number: 0, draft })
      await tx.done
    } catch (error) {
      throw isQuota(error) ? new NoRoom() : error
    }
  }

  /** Only photos of open forms; what belongs to an entry stays. */
  async dropDraftPhoto(hash: string): Promise<void> {
    const kept = await this.#db.get('contents', hash)
    if (kept?.number === 0) await this.#db.delete('contents', hash)
  }

  // What the server has.

  /**
   * Takes note of the server's signed offer. Only what it proves is marked: entries up to its head, if its hash there is
   * ours; photos that were in the message it answers (`given`) and that it does not want. Returns false for a fork: the server
   * holds another entry under one of our numbers, or more entries of this device than the phone itself.
   */
  async settle(device: string, offer: Offer, given: string[] = []): Promise<boolean> {
    const head: Head | undefined = offer.heads.find((h) => h.device === device)
    const tx = this.#db.transaction(['entries', 'contents', 'meta'], 'readwrite', { durability: 'strict' })
    const own = (await tx.objectStore('meta').get('head') as ChainHead | undefined) ?? NO_HEAD
    const entries = tx.objectStore('entries')
    const reached = head?.number ?? 0
    if (head !== undefined) {
      const there = await entries.get(head.number)
      const forked = head.number > own.number || (there !== undefined && there.entry.hash !== head.hash)
      if (forked) {
        await tx.done
        return false
      }
    }
    const now = this.#now()
    for (let cursor = await entries.openCursor(); cursor !== null; cursor = await cursor.continue()) {
      const kept = cursor.value
      if (kept.number <= reached && kept.sent_at === undefined) await cursor.update({ ...kept, sent_at: now })
    }
    const wanted = new Set(offer.wants)
    for (const hash of given) {
      const content = await tx.objectStore('contents').get(hash)
      if (content !== undefined && content.number > 0 && content.number <= reached && !wanted.has(hash)) await tx.objectStore('contents').delete(hash)
    }
    await this.#forget(entries, own.number, now)
    await tx.done
    return true
  }

  /** Sent entries older than their time go, from the oldest on, so that what is left is still one chain; the head always stays. */
  async #forget(entries: { openCursor(): Promise<Cursor | null> }, head: number, now: number): Promise<void> {
    for (let cursor = await entries.openCursor(); cursor !== null; cursor = await cursor.continue()) {
      const { sent_at, number } = cursor.value
      if (sent_at === undefined || now - sent_at < KEEP_DAYS * DAY_MS || number >= head) return
      await cursor.delete()
    }
  }
}

interface Cursor { value: KeptEntry; delete(): Promise<void>; continue(): Promise<Cursor | null> }

/** Looks over the chain as it stands on the phone; gives the first fault in words, or nothing. */
export function firstFault(device: string, kept: KeptEntry[], head: ChainHead): string | undefined {
  let before: Entry | undefined
  for (const { number, entry } of kept) {
    if (entry.number !== number || entry.device !== device) return `entry ${number} is of another chain`
    if (before !== undefined && entry.number !== before.number + 1) return `entry ${before.number + 1} is missing`
    if (before !== undefined && entry.previous !== before.hash) return `entry ${number} does not follow the one before`
    if (before !== undefined && before.id >= entry.id) return `the id of entry ${number} does not increase`
    if (entryHash(entry) !== entry.hash) return `entry ${number} was altered`
    before = entry
  }
  if (before !== undefined && (before.number !== head.number || before.hash !== head.hash)) return 'the chain does not end where its head says'
  return undefined
}
