// Moments as the journal writes them: RFC 3339 with the offset of where the person is.

const two = (n: number): string => String(n).padStart(2, '0')

/** `2026-05-01T09:30:00-07:00`. */
export function localMoment(at: Date): string {
  const offset = -at.getTimezoneOffset()
  const sign = offset < 0 ? '-' : '+'
  const [h, m] = [Math.floor(Math.abs(offset) / 60), Math.abs(offset) % 60]
  return `${localDay(at)}T${two(at.getHours())}:${two(at.getMinutes())}:${two(at.getSeconds())}${sign}${two(h)}:${two(m)}`
}

/** The day it is where the person is. */
export function localDay(at: Date): string {
  return `${String(at.getFullYear()).padStart(4, '0')}-${two(at.getMonth() + 1)}-${two(at.getDate())}`
}
