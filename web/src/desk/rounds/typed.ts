// Typing a sheet in: the code's check character, short ways of writing an answer, and what a row says.

import type { TypedRow } from '../../lib/api/types'

/** Characters of a code in the order of their values; as in crates/chain/src/rounds/code.rs. */
export const ALPHABET = '34679ACDEFGHJKMNPQRTWXY'
const LENGTH = 5

export type Code = { code: string } | { fault: 'length'; count: number } | { fault: 'character'; character: string } | { fault: 'slip' }

/** A code as people type it (small letters, blanks, hyphens). With weights 5, 4, 3, 2, 1 the sum of all is divisible by 23: one wrong
 *  character and two neighbours that changed places are always noticed. */
export function readCode(text: string): Code {
  const plain = text.replace(/[\s-]/g, '').toUpperCase()
  const odd = [...plain].find((c) => !ALPHABET.includes(c))
  if (odd !== undefined) return { fault: 'character', character: odd }
  if (plain.length !== LENGTH) return { fault: 'length', count: plain.length }
  const sum = [...plain].reduce((all, c, i) => all + (LENGTH - i) * ALPHABET.indexOf(c), 0)
  return sum % ALPHABET.length === 0 ? { code: plain } : { fault: 'slip' }
}

/** "905", "9.05", "9:5" and "0905" are 09:05; what is no time stays as it was typed, for the server to name. */
export function readTime(text: string): string {
  const plain = text.trim()
  const parts = /^(\d{1,2})[:.h ](\d{1,2})$/.exec(plain) ?? /^(\d{1,2})(\d{2})$/.exec(plain)
  if (parts === null) return plain
  return `${(parts[1] ?? '').padStart(2, '0')}:${(parts[2] ?? '').padStart(2, '0')}`
}

/** Ways of saying that something was renewed, or not; else the label of the lot. */
export function readRenewal(text: string): string {
  const plain = text.trim()
  if (/^(y|yes|s|sí|si|x|✓|\+)$/i.test(plain)) return 'yes'
  if (/^(n|no|-)$/i.test(plain)) return 'no'
  return plain
}

export const ANSWERS = ['found', 'looked', 'suspects', 'lure', 'insert', 'agent', 'body', 'arrive', 'leave', 'note'] as const
export type Answer = (typeof ANSWERS)[number]

export const isAnswered = (row: TypedRow): boolean => ANSWERS.some((column) => row[column].trim() !== '')

/** Working, looked at, none taken: what most rows say. What was typed already stays. */
export function allWell(row: TypedRow): TypedRow {
  return { ...row, found: row.found || 'working', looked: row.looked || 'fully', suspects: row.suspects || '0' }
}

/** A row as the server reads it. */
export function tidy(row: TypedRow): TypedRow {
  return {
    ...row, suspects: row.suspects.trim(), note: row.note.trim(), arrive: readTime(row.arrive), leave: readTime(row.leave),
    lure: readRenewal(row.lure), insert: readRenewal(row.insert), agent: readRenewal(row.agent), body: readRenewal(row.body),
  }
}
