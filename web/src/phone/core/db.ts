// The phone's database. Its form is versioned: a later app adds a step to `migrate`, and never takes entries away.

import { openDB, type DBSchema, type IDBPDatabase } from 'idb'
import type { DeviceEnrolled, PhoneDay } from '../../lib/api/types'
import type { Bytes } from './bytes'
import type { Entry } from './entry'
import type { KeptKey } from './keys'

export const DATABASE = 'earlywood-phone'
export const VERSION = 1

/** Who this phone is. `enrolled` is absent until the server has said yes; key and id are kept before it is asked. */
export interface Device {
  device: string
  key: KeptKey
  code: string
  enrolled?: DeviceEnrolled
}

/** The end of this phone's own chain. */
export interface ChainHead { number: number; hash: string | null; id: string | null }

export interface KeptEntry {
  number: number
  entry: Entry
  saved_at: number
  /** When the server's signed offer first held it. */
  sent_at?: number
  /** What it is about, for the lists on the phone: a trap, a tree, a specimen. */
  about: string
  photos: string[]
}

/** A photo. `number` is the last entry that names it; 0 while it belongs to a form that is still open. */
export interface KeptContent { hash: string; bytes: Bytes; media: string; number: number; draft?: string }

export interface Draft { key: string; at: number; data: unknown }

export interface KeptDay { day: PhoneDay; received_at: number }

/** Why this phone no longer writes to its programme: entries are kept, nothing is lost. */
export interface Stopped { code: 'not-enrolled' | 'fork' | 'wrong-key' | 'held'; words: string; at: number }

interface Shape extends DBSchema {
  device: { key: 'this'; value: Device }
  entries: { key: number; value: KeptEntry }
  contents: { key: string; value: KeptContent }
  day: { key: 'day'; value: KeptDay }
  drafts: { key: string; value: Draft }
  meta: { key: string; value: unknown }
}

export type Database = IDBPDatabase<Shape>
export type StoreName = 'device' | 'entries' | 'contents' | 'day' | 'drafts' | 'meta'

function migrate(db: Database, from: number): void {
  if (from < 1) {
    db.createObjectStore('device')
    db.createObjectStore('entries', { keyPath: 'number' })
    db.createObjectStore('contents', { keyPath: 'hash' })
    db.createObjectStore('day')
    db.createObjectStore('drafts', { keyPath: 'key' })
    db.createObjectStore('meta')
  }
}

/** `onOld`: another tab runs a newer app and waits for this one to let go. */
export async function openDatabase(name = DATABASE, onOld: () => void = () => {}): Promise<Database> {
  const db: Database = await openDB<Shape>(name, VERSION, {
    upgrade: (upgraded, from) => migrate(upgraded, from),
    blocking: () => {
      db.close()
      onOld()
    },
  })
  return db
}
