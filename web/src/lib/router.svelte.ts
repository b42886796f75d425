// Paths of the app: "/map", "/bench/EW-0007". Links are plain anchors; the router takes over those that stay in the app.

class Router {
  path = $state(location.pathname)
  search = $state(location.search)

  constructor() {
    addEventListener('popstate', () => this.#read())
    addEventListener('click', (event) => this.#follow(event))
  }

  /** First part of the path, "morning" for "/". */
  get screen(): string {
    return this.path.split('/')[1] || 'morning'
  }

  /** What stands behind the screen's name, decoded. */
  get rest(): string {
    return decodeURIComponent(this.path.split('/').slice(2).join('/'))
  }

  go(to: string, replace = false): void {
    history[replace ? 'replaceState' : 'pushState']({}, '', to)
    this.#read()
    scrollTo(0, 0)
  }

  #read(): void {
    this.path = location.pathname
    this.search = location.search
  }

  #follow(event: MouseEvent): void {
    if (event.defaultPrevented || event.button !== 0 || event.metaKey || event.ctrlKey || event.shiftKey || event.altKey) return
    const anchor = (event.target as Element | null)?.closest?.('a[href]') as HTMLAnchorElement | null
    if (anchor === null || anchor.target !== '' || anchor.hasAttribute('download') || anchor.origin !== location.origin) return
    if (anchor.pathname.startsWith('/api/')) return
    if (anchor.pathname === location.pathname && anchor.hash !== '') return
    event.preventDefault()
    this.go(anchor.pathname + anchor.search + anchor.hash)
  }
}

export const router = new Router()
