// How crews are told apart on the map and in the lists: a line's dashes and a stop's shape, colour last.

export interface Sign { dash: string; shape: 'circle' | 'square' | 'diamond' | 'triangle'; colour: string }

const SHAPES = ['circle', 'square', 'diamond', 'triangle'] as const
const DASHES = ['', '9 5', '2 5', '12 4 2 4'] as const
// Dark enough for white figures on them: at least 5:1 (WCAG 2.2 formula).
const COLOURS = ['#14463a', '#7a3b06', '#3d3480', '#7d1650', '#0b4f7a', '#4d4d12'] as const

/** The sign of the n-th crew. Shapes and dashes go round at different speeds, so that twelve crews differ without colour. */
export function signOf(n: number): Sign {
  const at = <T>(list: readonly [T, ...T[]], i: number): T => list[i % list.length] ?? list[0]
  return { shape: at(SHAPES, n), dash: at(DASHES, n + Math.floor(n / SHAPES.length)), colour: at(COLOURS, n) }
}

/** The outline of a stop around (0, 0), so high that two figures fit in. */
export function outline(shape: Sign['shape'], r: number): string {
  switch (shape) {
    case 'square': return `M${-r} ${-r}h${2 * r}v${2 * r}h${-2 * r}z`
    case 'diamond': return `M0 ${-1.35 * r}L${1.35 * r} 0L0 ${1.35 * r}L${-1.35 * r} 0z`
    case 'triangle': return `M0 ${-1.5 * r}L${1.5 * r} ${1.05 * r}H${-1.5 * r}z`
    default: return `M${-r} 0a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0z`
  }
}
