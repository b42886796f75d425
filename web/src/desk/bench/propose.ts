// What the tool would do next with a specimen. It only proposes: what it is, a person with standing says.

import type { Specimen } from '../../lib/api/types'

export type Proposal = 'accept' | 'wait' | 'screen' | 'second-pass' | 'determine' | 'confirm' | 'finish'

export function isEnded(specimen: Specimen): boolean {
  return specimen.custody.some((step) => step.what === 'ended')
}

export function propose(specimen: Specimen, offer: { to: string } | undefined, me: string | undefined): Proposal[] {
  if (isEnded(specimen)) return []
  if (offer !== undefined) return [offer.to === me ? 'accept' : 'wait']
  const last = specimen.opinions.at(-1)?.status
  if (last === 'suspect' || last === 'tentative' || last === 'determined') return ['confirm']
  if (last !== undefined) return ['finish']
  if (specimen.screenings.length === 1) return ['second-pass']
  return specimen.screenings.length === 0 ? ['screen', 'determine'] : ['finish']
}
