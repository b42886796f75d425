// Small helpers of words.

/** The word for a code, or the code itself where a newer server has one that this page doesn't know. */
export function word(words: Record<string, string>, code: string | undefined): string {
  if (code === undefined) return ''
  return words[code] ?? code
}

/** A list as read aloud: "a, b, c". */
export function list(items: readonly string[], most = 8): string {
  const shown = items.slice(0, most).join(', ')
  return items.length > most ? `${shown} … (${items.length})` : shown
}

/** A path with a label in it. */
export function to(screen: string, label?: string): string {
  return label === undefined ? `/${screen}` : `/${screen}/${encodeURIComponent(label)}`
}

/** A table as CSV (RFC 4180), with a byte order mark so that a spreadsheet reads it as UTF-8. Cells that a spreadsheet
 *  would take for a formula get an apostrophe before them. */
export function csv(head: readonly string[], rows: readonly (readonly (string | number | undefined)[])[]): Blob {
  const cell = (value: string | number | undefined): string => {
    const raw = String(value ?? '')
    const text = typeof value === 'string' && /^[=+@\t\r]|^-(?![\d.]+$)/.test(raw) ? `'${raw}` : raw
    return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text
  }
  const lines = [head, ...rows].map((row) => row.map(cell).join(','))
  return new Blob([`﻿${lines.join('\r\n')}\r\n`], { type: 'text/csv;charset=utf-8' })
}

/** Hands a file to the browser to be saved. */
export function save(blob: Blob, name: string): void {
  const url = URL.createObjectURL(blob)
  const anchor = document.createElement('a')
  anchor.href = url
  anchor.download = name
  anchor.click()
  setTimeout(() => URL.revokeObjectURL(url), 10_000)
}
