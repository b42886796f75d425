// Asks before somebody leaves a page with work on it that is not kept.

/** `ask` gets what to do when the person wants to go on all the same. Gives back how to stop. */
export function guardLeaving(dirty: () => boolean, ask: (go: () => void) => void): () => void {
  let leaving = false
  function unload(event: BeforeUnloadEvent): void {
    if (dirty()) event.preventDefault()
  }
  function click(event: MouseEvent): void {
    if (leaving || !dirty() || event.button !== 0 || event.metaKey || event.ctrlKey || event.shiftKey || event.altKey) return
    const anchor = (event.target as Element | null)?.closest?.('a[href]') as HTMLAnchorElement | null
    if (anchor === null || anchor.target !== '' || anchor.origin !== location.origin || anchor.pathname === location.pathname) return
    event.preventDefault()
    event.stopPropagation()
    ask(() => {
      leaving = true
      anchor.click()
    })
  }
  addEventListener('beforeunload', unload)
  addEventListener('click', click, true)
  return () => {
    removeEventListener('beforeunload', unload)
    removeEventListener('click', click, true)
  }
}
