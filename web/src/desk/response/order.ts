// By whose order ground is regulated, from when, and why: what the forms about areas share.

import type { Day } from '../../lib/api/types'
import { w } from '../../lib/i18n'
import { session } from '../../lib/session.svelte'
import { rules } from '../parts/form.svelte'
import { endsBefore } from './case'

export interface Order { from: Day; to: Day; authority: string; reason: string }

export const emptyOrder = (reason = ''): Order => ({ from: session.me?.today ?? '', to: '', authority: '', reason })

export const orderFaults = (order: Order): Record<string, string | undefined> => ({
  from: rules.day(order.from, undefined), to: endsBefore(order.from, order.to) ? w().response.survey.badSpan : undefined, authority: rules.words(order.authority), reason: rules.reason(order.reason),
})

export const orderOf = (order: Order): { from: Day; to?: Day; authority: string; reason: string } => ({ from: order.from, ...(order.to === '' ? {} : { to: order.to }), authority: order.authority.trim(), reason: order.reason.trim() })
