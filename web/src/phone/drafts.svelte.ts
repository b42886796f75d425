// Keeps an open form on the disk, on every change: one write at a time, the newest state last.

import { tick, untrack } from 'svelte'
import { w } from '../lib/i18n'
import { NoRoom, type Draw } from './core/outbox'
import { phone } from './state.svelte'

export class Keeper {
  readonly key: string
  /** Whether the form stands on the disk: then it is closed together with the saving, which can't happen twice. */
  kept = false
  #next: unknown
  #running: Promise<void> | undefined
  #closed = false

  constructor(key: string) {
    this.key = key
  }

  keep(state: unknown): void {
    if (this.#closed) return
    this.#next = state
    this.#running ??= this.#run()
  }

  async #run(): Promise<void> {
    while (this.#next !== undefined) {
      const state = this.#next
      this.#next = undefined
      try {
        await phone.outbox.keepDraft(this.key, state)
        this.kept = true
      } catch (error) {
        phone.tell(error instanceof NoRoom ? w().phone.noRoom : w().phone.failed((error as Error).message), true)
      }
    }
    this.#running = undefined
  }

  /** Once this is done, the form as last kept is on the disk. */
  async settled(): Promise<void> {
    while (this.#running !== undefined) await this.#running
  }

  /** No more writes: the form was saved or thrown away. */
  close(): void {
    this.#closed = true
    this.#next = undefined
  }

  /** Puts the whole form down, then what it says, and closes it with that. False: nothing was written, and it stays open. */
  async save(whole: unknown, draws: Draw[], about: string): Promise<boolean> {
    this.keep(whole)
    await this.settled()
    this.close()
    const saved = await phone.record(draws, about, this.kept ? { draft: this.key } : {})
    if (!saved) this.#closed = false
    return saved
  }

  /** Throws the form away. */
  async discard(): Promise<void> {
    this.close()
    await this.settled()
    await phone.outbox.dropDraft(this.key)
    await phone.draftsChanged()
  }
}

/** Brings the first question that still wants an answer before the eyes. */
export async function showMissing(): Promise<void> {
  await tick()
  document.querySelector('.missing')?.scrollIntoView({ block: 'center' })
}

class OpenForms {
  /** Forms that are open in this window. */
  count = $state(0)
}
export const openForms = new OpenForms()

/** Tells other windows and the updater that a form is open: a held lock, which ends with the page whatever happens to it. */
export function holdOpen(): () => void {
  untrack(() => openForms.count++)
  const close = (): void => untrack(() => { openForms.count-- })
  if (navigator.locks === undefined) return close
  let release: () => void = () => {}
  const over = new Promise<void>((done) => { release = done })
  void navigator.locks.request('earlywood-phone-form', { mode: 'shared' }, () => over)
  return () => {
    release()
    close()
  }
}

export async function formOpen(): Promise<boolean> {
  if (navigator.locks === undefined) return false
  const { held } = await navigator.locks.query()
  return held?.some((lock) => lock.name === 'earlywood-phone-form') ?? false
}
