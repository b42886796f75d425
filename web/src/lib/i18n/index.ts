// Words in English and Spanish. English is the form that Spanish must fill: a missing word is a compile error.

import { settings } from '../settings.svelte'
import * as en from './en'
import * as es from './es'

export type Words = typeof en

type Widened<T> = { [K in keyof T]: T[K] extends string ? string : T[K] extends (...args: infer A) => string ? (...args: A) => string : Widened<T[K]> }
const languages: Record<'en' | 'es', Widened<Words>> = { en, es }

/** The words in the person's language: `w().common.save`. Words with figures in them are functions. */
export function w(): Widened<Words> {
  return languages[settings.language]
}
