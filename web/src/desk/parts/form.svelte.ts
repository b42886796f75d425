// What every form shares: words under the field that is wrong, one sending at a time, the server's refusal in its own words
// at the field that it names. What was typed stays in the form until it was written down.

import { tick } from 'svelte'
import { Away, Refused } from '../../lib/api/client'
import { w } from '../../lib/i18n'
import { session } from '../../lib/session.svelte'

export type Faults = Record<string, string>

let made = 0

/** Any failure in plain words. */
export function plainly(e: unknown): string {
  if (e instanceof Away) return w().common.away
  return e instanceof Error ? e.message : String(e)
}

export class Form {
  readonly id = `form-${++made}`
  faults = $state<Faults>({})
  /** What is wrong with the whole. */
  words = $state<string | undefined>(undefined)
  /** What was done, said once it is done. */
  done = $state<string | undefined>(undefined)
  busy = $state(false)

  idOf(field: string): string {
    return `${this.id}-${field}`
  }

  /** Checks, sends, and tells how it went. True when the server took it. */
  async submit(faults: Faults, send: () => Promise<unknown>, done?: string): Promise<boolean> {
    if (this.busy) return false
    this.faults = faults
    this.words = undefined
    this.done = undefined
    if (Object.keys(faults).length > 0) {
      await this.#toFirst()
      return false
    }
    this.busy = true
    try {
      await send()
      this.done = done ?? w().common.saved
      return true
    } catch (e) {
      await this.#refused(e)
      return false
    } finally {
      this.busy = false
    }
  }

  async #refused(e: unknown): Promise<void> {
    const words = e instanceof Refused && e.status === 401 && session.expired ? w().common.signedOutMeanwhile : plainly(e)
    const field = e instanceof Refused && e.where !== undefined ? this.#fieldOf(e.where) : undefined
    if (field === undefined) {
      this.words = words
      return
    }
    this.faults = { [field]: words }
    await this.#toFirst()
  }

  /** The field on the screen that the server's `where` means: "body.what.quantity" and "quantity" are the same to a person. */
  #fieldOf(where: string): string | undefined {
    const parts = where.split(/[.:/[\]]+/).filter((part) => part !== '').reverse()
    return parts.find((part) => document.getElementById(this.idOf(part)) !== null)
  }

  async #toFirst(): Promise<void> {
    await tick()
    const first = document.querySelector<HTMLElement>(`#${this.id} [aria-invalid="true"], #${this.id} [data-faulty="true"]`)
    first?.focus()
  }
}

/** Rules that many fields share; each gives the words to show, or nothing. */
export const rules = {
  label(value: string): string | undefined {
    if (value.trim() === '') return w().desk.form.needed
    if (new TextEncoder().encode(value.trim()).length > 200) return w().desk.form.tooLong
    return undefined
  },
  person(value: string): string | undefined {
    const v = value.trim()
    if (v === '') return w().desk.form.needed
    if (v.includes('@')) return w().desk.form.noAddress
    return new TextEncoder().encode(v).length > 64 ? w().desk.form.tooLongId : undefined
  },
  words(value: string): string | undefined {
    return value.trim() === '' ? w().desk.form.needed : undefined
  },
  /** A whole number from `least`; empty is allowed unless `needed`. */
  whole(value: string | number | null | undefined, least: number, needed = true): string | undefined {
    const v = String(value ?? '').trim()
    if (v === '') return needed ? w().desk.form.needed : undefined
    return /^\d+$/.test(v) && Number(v) >= least && Number(v) <= 4_294_967_295 ? undefined : w().desk.form.whole(least)
  },
  figure(value: string | number | null | undefined, low: number, high: number): string | undefined {
    const v = String(value ?? '').trim().replace(',', '.')
    if (v === '') return undefined
    const n = Number(v)
    return Number.isFinite(n) && n >= low && n <= high ? undefined : w().desk.form.between(low, high)
  },
  day(value: string, today: string | undefined): string | undefined {
    if (!/^\d{4}-\d{2}-\d{2}$/.test(value)) return w().desk.form.needed
    return today !== undefined && value > today ? w().desk.form.future : undefined
  },
  reason(value: string): string | undefined {
    return value.trim() === '' ? w().common.reasonNeeded : undefined
  },
}

/** Only the faults that there are. */
export function faults(all: Record<string, string | undefined>): Faults {
  return Object.fromEntries(Object.entries(all).filter((e): e is [string, string] => e[1] !== undefined))
}

/** Text that was given, else nothing (the key is then left out of the entry). */
export function given(value: string): string | undefined {
  return value.trim() === '' ? undefined : value.trim()
}

export function figure(value: string | number | null | undefined): number | undefined {
  const v = String(value ?? '').trim().replace(',', '.')
  return v === '' ? undefined : Number(v)
}

/** Labels typed with commas, semicolons, blanks or line ends between them; each once. */
export function labels(value: string): string[] {
  return [...new Set(value.split(/[\s,;]+/).filter((label) => label !== ''))]
}
