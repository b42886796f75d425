import { describe, expect, it } from 'vitest'
import type { PhoneTrap } from '../../lib/api/types'
import { canonical } from './canonical'
import type { KeptEntry } from './db'
import { hangDraws, hangFaults, openHang, type Known } from './hang'
import { movedHere } from './read'

const place = { place: 'P-21', lat: 44.013, lon: -121.25, zone: 'East bank', targets: ['emerald-ash-borer'], cost: 1 }
const trap = (label: string, state: string): PhoneTrap => ({ trap: label, place: 'P-9', lat: 44, lon: -121, targets: ['emerald-ash-borer'], state })
const known: Known = { traps: [trap('T-12', 'hanging'), trap('T-80', 'stored')], neverHung: ['T-90'] }
const now = new Date(2026, 4, 4, 9, 0, 0)
const form = (more: object = {}) => ({ ...openHang(place, { lure: 'L-7' }, '', now), trap: 'N-1', device: 'prism', ...more })

describe('hanging a trap', () => {
  it('writes the three entries in the order in which the journal can take them', () => {
    const draws = hangDraws(form(), known, new Date(now.getTime() + 9 * 60_000), 'crew-3')
    expect(draws.map((draw) => `${draw.kind} ${draw.version}`)).toEqual(['trap-registered 1', 'trap-placed 1', 'visit-made 2'])
    expect(draws.map((draw) => JSON.parse(canonical(draw.body)) as object)).toMatchObject([
      { trap: 'N-1', device: 'prism' },
      { trap: 'N-1', place: 'P-21', position: { lat: 44.013, lon: -121.25 }, targets: ['emerald-ash-borer'], hung: '2026-05-04' },
      { trap: 'N-1', place: 'P-21', kind: 'hang', found: 'working', looked: 'no', outcome: 'complete', renewed: { lure: { lot: 'L-7' } }, proved_by: 'read', crew: 'crew-3' },
    ])
  })
  it('puts only a new trap on the books, and keeps the label as the lists have it', () => {
    for (const [typed, label] of [['t-80', 'T-80'], ['t-90', 'T-90']] as const) {
      const draws = hangDraws(form({ trap: typed, device: '' }), known, now)
      expect(hangFaults(form({ trap: typed, device: '' }), known)).toEqual([])
      expect(draws.map((draw) => draw.kind)).toEqual(['trap-placed', 'visit-made'])
      expect(draws.every((draw) => (draw.body as { trap: string }).trap === label)).toBe(true)
    }
  })
  it('says what is missing, and refuses a trap that hangs', () => {
    expect(hangFaults(form({ trap: '' }), known)).toEqual(['hang-trap'])
    expect(hangFaults(form({ trap: 't-12 ' }), known)).toEqual(['hang-hangs'])
    expect(hangFaults(form({ device: '' }), known)).toEqual(['hang-device'])
    expect(hangFaults(form({ targets: [] }), known)).toEqual(['hang-targets'])
    expect(hangFaults(form({ where: 'here' }), known)).toEqual(['hang-here'])
    expect(hangFaults(form({ note: 'ask a@b.example' }), known)).toEqual(['email'])
  })
  it('wants a reason beyond 30 m from the plan, and writes it down', () => {
    const near = form({ where: 'here', here: { lat: 44.0132, lon: -121.25, accuracy_m: 5 } })
    const far = form({ where: 'here', here: { lat: 44.0135, lon: -121.25, accuracy_m: 5 }, note: 'third limb' })
    expect(hangFaults(near, known)).toEqual([])
    expect(hangFaults(far, known)).toEqual(['hang-why'])
    const visit = hangDraws({ ...far, why_off: 'no branch at the plan' }, known, now).at(-1)
    expect(visit?.body).toMatchObject({ note: 'hung 56 m from the planned place: no branch at the plan. third limb', position: { lat: 44.0135, lon: -121.25 }, position_accuracy_m: 5 })
    expect((hangDraws(near, known, now).at(-1)?.body as { note?: string }).note).toBeUndefined()
  })
})

describe('what this phone moved', () => {
  const kept = (number: number, kind: string, body: object, sent_at?: number): KeptEntry =>
    ({ number, saved_at: 0, about: '', photos: [], ...(sent_at === undefined ? {} : { sent_at }), entry: { id: `e${number}`, kind, body: JSON.stringify(body) } }) as unknown as KeptEntry
  const hung = { trap: 'N-1', place: 'P-21', position: { lat: 1, lon: 2 }, targets: ['x'], hung: '2026-05-04' }
  it('hangs until it is taken back, taken down, or the office has told of it', () => {
    expect(movedHere([kept(1, 'trap-placed', hung)], 100).get('N-1')).toMatchObject({ state: 'hanging', place: 'P-21', lat: 1, hung: '2026-05-04' })
    expect(movedHere([kept(1, 'trap-placed', hung), kept(2, 'trap-taken-down', { trap: 'N-1' })], 100).get('N-1')?.state).toBe('stored')
    expect(movedHere([kept(1, 'trap-placed', hung), kept(2, 'correction', { corrects: 'e1' })], 100).size).toBe(0)
    expect(movedHere([kept(1, 'trap-placed', hung, 99)], 100).size).toBe(0)
    expect(movedHere([kept(1, 'trap-placed', hung, 101)], 100).size).toBe(1)
  })
})
