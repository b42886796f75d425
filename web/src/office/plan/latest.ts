// Asks one question at a time; while one is under way only the latest of the others is remembered.

export class Latest<Q, A> {
  #busy = false
  #next: Q | undefined
  #turn = 0
  readonly #ask: (question: Q) => Promise<A>
  readonly #told: (answer: A, question: Q) => void
  readonly #failed: (error: unknown) => void

  constructor(ask: (question: Q) => Promise<A>, told: (answer: A, question: Q) => void, failed: (error: unknown) => void) {
    this.#ask = ask
    this.#told = told
    this.#failed = failed
  }

  put(question: Q): void {
    this.#next = question
    if (!this.#busy) void this.#run()
  }

  /** What is under way is not told any more. */
  forget(): void {
    this.#turn++
    this.#next = undefined
  }

  async #run(): Promise<void> {
    this.#busy = true
    while (this.#next !== undefined) {
      const question = this.#next
      const turn = this.#turn
      this.#next = undefined
      try {
        const answer = await this.#ask(question)
        if (turn === this.#turn) this.#told(answer, question)
      } catch (e) {
        if (turn === this.#turn) this.#failed(e)
      }
    }
    this.#busy = false
  }
}
