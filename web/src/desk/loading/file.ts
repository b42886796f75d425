// What a file is by the end of its name.

export function mediaOf(name: string): string {
  const end = name.toLowerCase().split('.').at(-1)
  return end === 'csv' || end === 'txt' ? 'text/csv' : end === 'geojson' || end === 'json' ? 'application/geo+json' : end === 'toml' ? 'application/toml' : 'application/octet-stream'
}

const MOST = 120

/** A row with the fields of its objects beside the others ("position.lat"), and nothing longer than a cell can show. */
export function flat(row: Record<string, unknown>): Record<string, unknown> {
  const parts = Object.entries(row).flatMap(([name, value]): [string, unknown][] =>
    typeof value === 'object' && value !== null && !Array.isArray(value) ? Object.entries(value).map(([inner, v]) => [`${name}.${inner}`, v]) : [[name, value]])
  return Object.fromEntries(parts.map(([name, value]) => {
    const text = typeof value === 'object' && value !== null ? JSON.stringify(value) : value
    return [name, typeof text === 'string' && text.length > MOST ? `${text.slice(0, MOST)}…` : text]
  }))
}
