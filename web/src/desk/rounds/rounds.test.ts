import { describe, expect, it } from 'vitest'
import type { PlannedRoundView, RoundsView, TypedRow } from '../../lib/api/types'
import { readAsk, readPosition, type Asking } from './asking'
import { compare } from './compare'
import { signOf } from './crews'
import { allWell, ALPHABET, isAnswered, readCode, readRenewal, readTime, tidy } from './typed'

const round = (crew: string, date: string, stops: [trap: string, arrive: string][]): PlannedRoundView => ({
  sheet: `${crew}${date}`, crew, people: [], date, starts: '08:00', ends: '12:00', drive_minutes: 30, work_minutes: 60, break_minutes: 0,
  stops: stops.map(([trap, arrive]) => ({ trap, place: `P-${trap}`, lat: 1, lon: 1, arrive, leave: arrive, drive_minutes: 3, what: ['look'], cautions: [], needs: [], done: false })),
})
const view = (rounds: PlannedRoundView[], left: [string, string][] = []): RoundsView => ({
  from: '2026-06-01', to: '2026-06-02', rounds, fairness: [], notes: [], left_out: left.map(([trap, reason]) => ({ trap, place: `P-${trap}`, reason })),
})
const row: TypedRow = { stop: '1', trap: 'T', found: '', looked: '', suspects: '', lure: '', insert: '', agent: '', body: '', arrive: '', leave: '', note: '' }

/** The check character that fits four others. */
function code(four: string): string {
  const fits = [...ALPHABET].find((c) => 'code' in readCode(four + c))
  return four + (fits ?? '')
}

describe('codes on paper', () => {
  it('has exactly one check character for each four, and tells every single slip and every swap of neighbours', () => {
    for (const four of ['3333', '4A7C', 'YXWT', 'H3M9']) {
      const good = code(four)
      expect(readCode(good)).toEqual({ code: good })
      expect([...ALPHABET].filter((c) => 'code' in readCode(four + c))).toHaveLength(1)
      for (let i = 0; i < 5; i += 1) {
        for (const other of ALPHABET) {
          if (other !== good[i]) expect(readCode(good.slice(0, i) + other + good.slice(i + 1))).toEqual({ fault: 'slip' })
        }
        const [a, b] = [good[i], good[i + 1]]
        if (a !== undefined && b !== undefined && a !== b) expect(readCode(good.slice(0, i) + b + a + good.slice(i + 2))).toEqual({ fault: 'slip' })
      }
    }
  })
  it('reads small letters, blanks and hyphens, and says what else is wrong', () => {
    const good = code('4A7C')
    expect(readCode(` ${good.slice(0, 2).toLowerCase()}-${good.slice(2)} `)).toEqual({ code: good })
    expect(readCode('4A7')).toEqual({ fault: 'length', count: 3 })
    expect(readCode('4A7O3')).toEqual({ fault: 'character', character: 'O' })
  })
})

describe('a row that is typed', () => {
  it('takes short ways of writing times and answers, and leaves what it can\'t read for the server to name', () => {
    expect(['905', '0905', '9.05', '9:05', ' 09:05 '].map(readTime)).toEqual(Array(5).fill('09:05'))
    expect(readTime('soon')).toBe('soon')
    expect(['y', 'Sí', 'x', 'n', '-', 'L-7'].map(readRenewal)).toEqual(['yes', 'yes', 'yes', 'no', 'no', 'L-7'])
    expect(tidy({ ...row, arrive: '905', lure: 'y', agent: ' sí', note: ' a ' })).toMatchObject({ arrive: '09:05', lure: 'yes', agent: 'yes', note: 'a' })
  })
  it('"all well" keeps what was typed before', () => {
    expect(isAnswered(row)).toBe(false)
    expect(isAnswered({ ...row, agent: 'y' })).toBe(true)
    expect(allWell(row)).toMatchObject({ found: 'working', looked: 'fully', suspects: '0' })
    expect(allWell({ ...row, suspects: '2' }).suspects).toBe('2')
  })
})

describe('a proposal against what holds', () => {
  const holds = view([round('a', '2026-06-01', [['T1', '08:10'], ['T2', '09:00'], ['T3', '10:00']])])
  it('tells moved, new and dropped stops, and why they were dropped', () => {
    const proposed = view([round('a', '2026-06-01', [['T1', '08:20']]), round('b', '2026-06-01', [['T2', '09:00'], ['T4', '11:00']])], [['T3', 'no time']])
    const changes = compare(holds, proposed)
    expect(changes.kept).toBe(1)
    expect(changes.moved.map((m) => [m.trap, m.was.crew, m.becomes.crew])).toEqual([['T2', 'a', 'b']])
    expect(changes.added.map((m) => m.trap)).toEqual(['T4'])
    expect(changes.dropped.map((m) => [m.trap, m.why])).toEqual([['T3', 'no time']])
  })
  it('finds nothing in the same rounds, and a move where the same crew comes hours later', () => {
    expect(compare(holds, holds)).toMatchObject({ kept: 3, moved: [], added: [], dropped: [] })
    const later = view([round('a', '2026-06-01', [['T1', '08:10'], ['T2', '09:00'], ['T3', '14:00']])])
    expect(compare(holds, later).moved.map((m) => m.trap)).toEqual(['T3'])
  })
})

describe('the question', () => {
  const asking: Asking = { from: '2026-06-01', days: '5', without: [], noWork: '', fromNow: false, at: '13:05', closed: [], heat: '' }
  const ask = (change: Partial<Asking>) => readAsk({ ...asking, ...change }, new Map([['t1', { lat: 34, lon: -100 }]]), 0.3048, (f) => ((f - 32) * 5) / 9)
  it('says only what was said', () => {
    expect(ask({})).toEqual({ faults: [], ask: { from: '2026-06-01', days: 5 } })
    expect(ask({ fromNow: true }).ask).toEqual({ from: '2026-06-01', at: '13:05' })
    expect(ask({ without: ['a'], noWork: '2026-06-03; 2026-06-04', heat: '95' }).ask).toMatchObject({ without: [{ crew: 'a' }], no_work: ['2026-06-03', '2026-06-04'], heat_limit_c: 35 })
  })
  it('finds the place of a closed road, in the units that were typed', () => {
    const closed = [{ place: 'T1', radius: '500' }, { place: '34.5, -100.25', radius: '100' }, { place: 'way/7', radius: '' }]
    expect(ask({ closed }).ask.closed).toEqual(['34,-100,152', '34.5,-100.25,30', 'way/7'])
    expect(readPosition('91, 0')).toBeUndefined()
  })
  it('names the field that is wrong', () => {
    expect(ask({ days: '0', noWork: 'monday' }).faults.map((f) => f.field)).toEqual(['days', 'no_work'])
    expect(ask({ fromNow: true, at: '25:00', closed: [{ place: 'nowhere', radius: '5' }, { place: 'T1', radius: '' }] }).faults.map((f) => f.field)).toEqual(['at', 'closed-0', 'radius-1'])
  })
})

it('tells twelve crews apart without colour', () => {
  const signs = Array.from({ length: 12 }, (_, n) => signOf(n)).map((s) => `${s.shape} ${s.dash}`)
  expect(new Set(signs).size).toBe(12)
})
