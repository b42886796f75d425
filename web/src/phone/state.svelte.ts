// What the phone's screens share: who this phone is, its day, its outbox, and the sending that goes on behind them.

import type { PhoneDay, PhonePlace, PhoneStop, PhoneTrap } from '../lib/api/types'
import { w } from '../lib/i18n'
import { enrol, Line, NotProved, Refused } from './core/calls'
import { openDatabase, type Database, type Device, type Draft, type KeptDay, type KeptEntry, type Stopped } from './core/db'
import type { Entry } from './core/entry'
import { nextId } from './core/ids'
import { isSigned, newKey, sign, type KeptKey } from './core/keys'
import { firstFault, NoRoom, Outbox, SavedBefore, type Draw, type NewPhoto } from './core/outbox'
import { movedHere, usedLabels, visitedOn, withdrawn } from './core/read'
import { exported, exportedAside, outcomeOf, pause, sendAll, type Aside, type Outcome } from './core/send'
import type { Part } from './core/stop'
import { undoDraws } from './core/stop'
import { zipped } from './core/sync'
import { localDay } from './core/times'

/** A tap can be taken back on the phone for so long; later the office corrects it. Design choice. */
const UNDO_MS = 15 * 60_000
const DAY_AGES_MS = 15 * 60_000
/** A list that came so soon after a sending may have been made before it. Design choice. */
const LIST_LAG_MS = 60_000

export interface Toast { words: string; alarm?: boolean; undo?: { entries: { id: string; about: string }[]; about: string; until: number } }

class Phone {
  ready = $state(false)
  broken = $state<string | undefined>(undefined)
  device = $state.raw<Device | undefined>(undefined)
  kept = $state.raw<KeptDay | undefined>(undefined)
  entries = $state.raw<KeptEntry[]>([])
  photosUnsent = $state(0)
  drafts = $state.raw<Draft[]>([])
  stopped = $state.raw<Stopped | undefined>(undefined)
  outcome = $state.raw<Outcome | undefined>(undefined)
  sending = $state(false)
  online = $state(navigator.onLine)
  refreshing = $state(false)
  toast = $state.raw<Toast | undefined>(undefined)
  mindHidden = $state<string | undefined>(undefined)
  lots = $state.raw<Partial<Record<Part, string>>>({})
  /** What device was hung last as a new trap. */
  hungDevice = $state.raw('')
  persisted = $state<boolean | undefined>(undefined)
  storage = $state.raw<{ used: number; of: number } | undefined>(undefined)
  aside = $state.raw<Aside[]>([])
  fault = $state<string | undefined>(undefined)
  now = $state(Date.now())

  #db: Database | undefined
  #outbox: Outbox | undefined
  #line: Line | undefined
  #failures = 0
  /** The network came back while a try was under way that had begun without it. */
  #again = false
  #timer: ReturnType<typeof setTimeout> | undefined
  readonly #tabs = typeof BroadcastChannel === 'undefined' ? undefined : new BroadcastChannel('earlywood-phone')

  get day(): PhoneDay | undefined {
    return this.kept?.day
  }
  get enrolled(): boolean {
    return this.device?.enrolled !== undefined
  }
  unsent = $derived(this.entries.filter((kept) => kept.sent_at === undefined))
  used = $derived(new Set([...(this.kept?.day.used_specimens ?? []), ...usedLabels(this.entries)]))
  visited = $derived(visitedOn(this.entries, localDay(new Date(this.now))))

  moved = $derived(movedHere(this.entries, (this.kept?.received_at ?? 0) - LIST_LAG_MS))
  /** Every trap of the day's list, where this phone left it since, and those it hung new. */
  traps = $derived.by((): PhoneTrap[] => {
    const listed = (this.kept?.day.traps ?? []).map((trap) => ({ ...trap, ...this.moved.get(trap.trap) }))
    const labels = new Set(listed.map((trap) => trap.trap))
    const zones = new Map(this.kept?.day.to_hang?.map((place) => [place.place, place.zone]))
    for (const { trap, place, lat, lon, targets, ...rest } of this.moved.values()) {
      if (labels.has(trap) || place === undefined || lat === undefined || lon === undefined || targets === undefined) continue
      const zone = zones.get(place)
      listed.push({ ...rest, trap, place, lat, lon, targets, ...(zone === undefined ? {} : { zone }) })
    }
    return listed
  })
  /** Places of the plan at which a trap is still to be hung. */
  toHang = $derived.by((): PhonePlace[] => {
    const hung = new Set([...this.moved.values()].filter((trap) => trap.state === 'hanging').flatMap((trap) => (trap.targets ?? []).map((target) => `${trap.place}\n${target}`)))
    return (this.kept?.day.to_hang ?? [])
      .map((place) => ({ ...place, targets: place.targets.filter((target) => !hung.has(`${place.place}\n${target}`)) }))
      .filter((place) => place.targets.length > 0)
  })

  get outbox(): Outbox {
    if (this.#outbox === undefined) throw new Error('the storage is not open')
    return this.#outbox
  }

  async open(): Promise<void> {
    try {
      this.#db = await openDatabase(undefined, () => (this.broken = w().phone.old))
    } catch {
      this.broken = w().phone.notOpen
      return
    }
    this.#outbox = new Outbox(this.#db)
    await this.reload()
    const head = await this.#outbox.head()
    if (this.device !== undefined) this.fault = firstFault(this.device.device, this.entries, head)
    this.ready = true
    this.#tabs?.addEventListener('message', () => void this.reload())
    addEventListener('online', () => { this.online = true; this.#failures = 0; this.#again = true; void this.#turn() })
    addEventListener('offline', () => { this.online = false })
    document.addEventListener('visibilitychange', () => {
      if (document.visibilityState !== 'visible') return
      this.now = Date.now()
      void this.#turn()
    })
    setInterval(() => { this.now = Date.now() }, 30_000)
    void this.#askToKeep()
    void this.#turn()
  }

  async reload(): Promise<void> {
    const db = this.#db
    if (db === undefined) return
    this.device = await db.get('device', 'this')
    this.#line = this.device?.enrolled === undefined ? undefined : new Line(this.device)
    this.kept = await db.get('day', 'day')
    this.stopped = await db.get('meta', 'stopped') as Stopped | undefined
    this.mindHidden = await db.get('meta', 'mind-hidden') as string | undefined
    this.lots = (await db.get('meta', 'lots') as Partial<Record<Part, string>> | undefined) ?? {}
    this.hungDevice = (await db.get('meta', 'hung-device') as string | undefined) ?? ''
    const keys = (await db.getAllKeys('meta')).filter((key) => key.startsWith('aside:'))
    this.aside = await Promise.all(keys.map(async (key) => await db.get('meta', key) as Aside))
    await this.#recount()
  }

  async #recount(): Promise<void> {
    this.entries = await this.outbox.entries()
    this.photosUnsent = (await this.outbox.unsentPhotos()).length
    this.drafts = await this.outbox.drafts()
  }

  async #askToKeep(): Promise<void> {
    try {
      this.persisted = await navigator.storage?.persisted?.()
      if (this.enrolled && this.persisted === false) this.persisted = await navigator.storage.persist()
      await this.measure()
    } catch {
      // A browser that does not tell.
    }
  }

  async measure(): Promise<void> {
    const estimate = await navigator.storage?.estimate?.()
    if (estimate?.usage !== undefined && estimate.quota !== undefined) this.storage = { used: estimate.usage, of: estimate.quota }
  }

  // Setting up.

  /** Id and key are on the disk before the office is asked, so that an answer that got lost can be asked for again. */
  async setUp(code: string): Promise<void> {
    const db = this.#db
    if (db === undefined) throw new Error('the storage is not open')
    let device = await db.get('device', 'this')
    // A code for a phone that was withdrawn begins a new device; what was unsent of the old one is put aside, not away.
    if (device === undefined || device.enrolled !== undefined || device.code !== code) device = await this.#newDevice(db, code)
    const enrolled = await enrol(device.device, device.key, code)
    const tx = db.transaction(['device', 'meta', 'entries', 'contents', 'day'], 'readwrite', { durability: 'strict' })
    const before = await tx.objectStore('device').get('this')
    if (before?.enrolled !== undefined && before.device !== device.device) {
      const [entries, contents] = [await tx.objectStore('entries').getAll(), await tx.objectStore('contents').getAll()]
      const left = { device: before, entries: entries.filter((kept) => kept.sent_at === undefined), contents: contents.filter((content) => content.number > 0) }
      if (left.entries.length + left.contents.length > 0) await tx.objectStore('meta').put(left, `aside:${before.device}`)
      for (const store of ['entries', 'contents', 'day'] as const) await tx.objectStore(store).clear()
      for (const key of ['head', 'stopped', 'new-device']) await tx.objectStore('meta').delete(key)
    }
    await tx.objectStore('device').put({ ...device, enrolled }, 'this')
    await tx.done
    await this.reload()
    this.#changed()
    await this.#askToKeep()
    void this.#turn()
  }

  async #newDevice(db: Database, code: string): Promise<Device> {
    const waiting = await db.get('meta', 'new-device') as Device | undefined
    if (waiting?.code === code) return waiting
    const keep = async (key: KeptKey): Promise<Device> => {
      const device: Device = { device: nextId(null, Date.now()), key, code }
      await db.put('meta', device, 'new-device')
      return device
    }
    try {
      // A key that does not come back from the disk as it went would end this device: tried before it is used.
      const device = await keep(await newKey())
      const back = await db.get('meta', 'new-device') as Device
      const message = new TextEncoder().encode('earlywood/message/1 trial') as Uint8Array<ArrayBuffer>
      if (isSigned(device.key.publicKey, message, await sign(back.key, message))) return device
    } catch {
      // This browser can't store such a key.
    }
    return keep(await newKey(true))
  }

  // Writing.

  /** Writes entries of one tap. True once they are on the disk; else the toast says why not, and the form stays. */
  async record(draws: Draw[], about: string, options: { photos?: NewPhoto[]; draft?: string } = {}): Promise<boolean> {
    const device = this.device
    if (device === undefined) return false
    let made: Entry[]
    try {
      made = await this.outbox.record(device, draws, options)
    } catch (error) {
      if (error instanceof SavedBefore) await this.#recount()
      this.#say(error)
      return error instanceof SavedBefore
    }
    await this.#recount()
    const entries = made.map((entry, i) => ({ id: entry.id, about: draws[i]?.about ?? '' }))
    // The acknowledgement stands at the top, where it covers nothing.
    scrollTo(0, 0)
    this.toast = { words: w().phone.saved(about), undo: { entries, about, until: Date.now() + UNDO_MS } }
    this.#changed()
    void this.#turn()
    return true
  }

  /** Takes back what one tap wrote, by corrections. */
  async undo(entries: { id: string; about: string }[]): Promise<void> {
    const gone = withdrawn(this.entries)
    const left = entries.filter((entry) => !gone.has(entry.id))
    if (this.device === undefined || left.length === 0) return
    try {
      await this.outbox.record(this.device, undoDraws(left, w().phone.undoReason, new Date()))
    } catch (error) {
      this.#say(error)
      return
    }
    await this.#recount()
    this.toast = { words: w().phone.undone }
    this.#changed()
    // A list that told of it already is out of date now.
    void this.#turn().then(async () => this.refresh())
  }

  /** Entries of the tap that wrote this one, if it can still be taken back. */
  undoable(kept: KeptEntry): { id: string; about: string }[] | undefined {
    const gone = withdrawn(this.entries)
    if (kept.entry.kind === 'correction' || gone.has(kept.entry.id) || this.now - kept.saved_at > UNDO_MS) return undefined
    return this.entries
      .filter((other) => other.entry.event_time === kept.entry.event_time && Math.abs(other.saved_at - kept.saved_at) < 2_000 && other.entry.kind !== 'correction')
      .map((other) => ({ id: other.entry.id, about: other.about }))
  }

  #say(error: unknown): void {
    const words = error instanceof NoRoom ? w().phone.noRoom : error instanceof SavedBefore ? w().phone.savedBefore : w().phone.failed((error as Error).message)
    this.toast = { words, alarm: true }
  }

  async rememberLots(lots: Partial<Record<Part, string>>): Promise<void> {
    this.lots = { ...this.lots, ...lots }
    await this.#db?.put('meta', { ...this.lots }, 'lots').catch(() => undefined)
  }

  async rememberDevice(device: string): Promise<void> {
    this.hungDevice = device
    await this.#db?.put('meta', device, 'hung-device').catch(() => undefined)
  }

  async hideMind(): Promise<void> {
    this.mindHidden = localDay(new Date())
    await this.#db?.put('meta', this.mindHidden, 'mind-hidden').catch(() => undefined)
  }

  async draftsChanged(): Promise<void> {
    this.drafts = await this.outbox.drafts()
  }

  tell(words: string, alarm = false): void {
    this.toast = { words, alarm }
  }

  // Sending and fetching.

  #changed(): void {
    this.#tabs?.postMessage('changed')
  }

  async #turn(): Promise<void> {
    await this.send()
    if (this.kept === undefined || Date.now() - this.kept.received_at > DAY_AGES_MS || this.kept.day.today !== localDay(new Date())) await this.refresh()
  }

  /** Gives what is unsent, in one tab at a time. `anyway`: the person asked for it, although it was refused before. */
  async send(anyway = false): Promise<void> {
    const { device } = this
    const line = this.#line
    if (device === undefined || line === undefined || this.sending) return
    if (this.stopped !== undefined && (!anyway || this.stopped.code === 'fork')) return
    if (this.unsent.length === 0 && this.photosUnsent === 0) return
    clearTimeout(this.#timer)
    const run = async (): Promise<void> => {
      this.sending = true
      this.#again = false
      try {
        this.outcome = await sendAll(device, this.outbox, line, () => void this.#recount())
      } catch (error) {
        this.outcome = { is: 'trouble', words: (error as Error).message }
      } finally {
        this.sending = false
      }
      await this.#afterSending(this.outcome)
    }
    if (navigator.locks === undefined) await run()
    else await navigator.locks.request('earlywood-phone-send', { ifAvailable: true }, async (lock) => (lock === null ? this.#later() : run()))
  }

  async #afterSending(outcome: Outcome): Promise<void> {
    await this.#recount()
    if (outcome.is === 'stopped') await this.#stop(outcome.code, outcome.words)
    else if (this.stopped !== undefined && outcome.is === 'done') await this.#goOn()
    this.#failures = outcome.is === 'done' ? 0 : this.#failures + 1
    if (outcome.is === 'away' && this.#again) this.#failures = 0
    if (outcome.is !== 'done' && outcome.is !== 'stopped') this.#later()
    this.#changed()
  }

  #later(): void {
    clearTimeout(this.#timer)
    this.#timer = setTimeout(() => void this.#turn(), this.#again ? 200 : 1_000 * pause(this.#failures))
  }

  async #stop(code: Stopped['code'], words: string): Promise<void> {
    this.stopped = { code, words, at: Date.now() }
    await this.#db?.put('meta', { ...this.stopped }, 'stopped')
  }

  async #goOn(): Promise<void> {
    this.stopped = undefined
    await this.#db?.delete('meta', 'stopped')
  }

  /** Gets the day's list. What is there stays until a new one has come whole. */
  async refresh(): Promise<void> {
    const line = this.#line
    if (line === undefined || this.refreshing) return
    this.refreshing = true
    try {
      const day = await line.day(localDay(new Date()))
      const kept: KeptDay = { day, received_at: Date.now() }
      await this.#db?.put('day', kept, 'day')
      this.kept = kept
    } catch (error) {
      const outcome = error instanceof Refused || error instanceof NotProved ? outcomeOf(error) : undefined
      if (outcome?.is === 'stopped' && this.stopped === undefined) await this.#stop(outcome.code, outcome.words)
      this.outcome ??= outcome
    } finally {
      this.refreshing = false
    }
  }

  /** A file that `earlywood journal take` reads; of what an earlier device of this phone left unsent, if one is named. */
  async exportFile(everything: boolean, aside?: Aside): Promise<{ name: string; blob: Blob }> {
    const device = aside?.device ?? this.device
    if (device === undefined) throw new Error('this phone is not set up')
    const bytes = await zipped(aside === undefined ? await exported(device, this.outbox, everything) : exportedAside(aside))
    const name = `${localDay(new Date())}-${device.device.slice(-6)}.earlywood-bundle`
    return { name, blob: new Blob([bytes], { type: 'application/gzip' }) }
  }

  /** A trap by its label, of the day's stops or all others; labels are compared without regard to case and blanks. */
  trap(label: string): PhoneStop | PhoneTrap | undefined {
    const wanted = label.trim().toLowerCase()
    const is = (trap: PhoneTrap): boolean => trap.trap.toLowerCase() === wanted
    return this.day?.stops.find(is) ?? this.traps.find(is)
  }
}

export const phone = new Phone()
