// One spelling for every JSON value: RFC 8785, the same bytes that the program writes (crates/journal/src/canonical.rs).

/** A value, its members sorted by UTF-16 code units, without white space. Members that are `undefined` are left out. */
export function canonical(value: unknown): string {
  if (value === null || typeof value === 'boolean') return String(value)
  if (typeof value === 'number') return numeral(value)
  if (typeof value === 'string') return quoted(value)
  if (Array.isArray(value)) return `[${value.map(canonical).join(',')}]`
  if (typeof value === 'object') {
    const members = Object.entries(value).filter(([, member]) => member !== undefined)
    // `<` on strings compares UTF-16 code units, which is the order that RFC 8785 asks for.
    members.sort(([a], [b]) => (a < b ? -1 : a > b ? 1 : 0))
    return `{${members.map(([key, member]) => `${quoted(key)}:${canonical(member)}`).join(',')}}`
  }
  throw new TypeError(`JSON has no form for ${typeof value}`)
}

function quoted(text: string): string {
  if (!text.isWellFormed()) throw new RangeError('a text holds half a character')
  return JSON.stringify(text)
}

function numeral(x: number): string {
  if (!Number.isFinite(x)) throw new RangeError('JSON has no form for a number that is not finite')
  if (Math.abs(x) > Number.MAX_SAFE_INTEGER && Math.abs(x) < 1e21) {
    throw new RangeError(`the number ${x} is beyond 2^53 - 1, where JSON readers lose digits; write it as text`)
  }
  return JSON.stringify(x)
}
