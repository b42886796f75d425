// What a person changes in a body before it is sent as a correction.

export type Plain = string | number | boolean
type Body = Record<string, unknown>

/** The body that the text says, or why it says none. */
export function parse(text: string): { body?: Body; fault?: string } {
  try {
    const value: unknown = JSON.parse(text)
    return typeof value === 'object' && value !== null && !Array.isArray(value) ? { body: value as Body } : { fault: '{ … }' }
  } catch (e) {
    return { fault: e instanceof Error ? e.message : String(e) }
  }
}

/** Fields that hold one plain value and can be edited without knowing JSON. */
export function plainFields(body: Body): [string, Plain][] {
  return Object.entries(body).filter((e): e is [string, Plain] => ['string', 'number', 'boolean'].includes(typeof e[1]) && String(e[1]).length < 200)
}

/** Name, before and after of each field that differs. */
export function changed(before: unknown, after: Body): [string, string, string][] {
  const old = (typeof before === 'object' && before !== null ? before : {}) as Body
  const names = [...new Set([...Object.keys(old), ...Object.keys(after)])]
  const said = (value: unknown): string => (value === undefined ? '–' : (JSON.stringify(value) ?? '–'))
  return names.filter((name) => canonical(old[name]) !== canonical(after[name])).map((name) => [name, said(old[name]), said(after[name])])
}

/** The same text for the same content, whatever the order of keys. */
function canonical(value: unknown): string {
  return JSON.stringify(value, (_, inner: unknown) =>
    typeof inner === 'object' && inner !== null && !Array.isArray(inner) ? Object.fromEntries(Object.entries(inner).sort(([a], [b]) => (a < b ? -1 : 1))) : inner) ?? ''
}

/** The whole body, with its version, that a correction puts in the place of another. */
export function insteadOf(correction: unknown): { version: number; body: unknown } | undefined {
  const change = (correction as { change?: { to?: string; version?: number; body?: unknown } } | null)?.change
  return change?.to === 'instead' && change.version !== undefined ? { version: change.version, body: change.body } : undefined
}
