// One way to ask the server. Refusals arrive as `Refused`, a network that is away as `Away`.

import type { Me, Problem } from './types'

/** The server understood and said no. */
export class Refused extends Error {
  readonly status: number
  readonly code: string
  readonly where: string | undefined
  constructor(status: number, problem: Problem) {
    super(problem.words)
    this.status = status
    this.code = problem.code
    this.where = problem.where
  }
}

/** Nobody answered. */
export class Away extends Error {
  constructor() {
    super('no answer from the server')
  }
}

let csrf: string | undefined
let onSignedOut: () => void = () => {}

/** Told once by whoever keeps the session: the token of `me`, and what to do when a call finds nobody signed in. */
export function useSession(token: string | undefined, signedOut: () => void): void {
  csrf = token
  onSignedOut = signedOut
}

type Body = Blob | Uint8Array<ArrayBuffer> | ArrayBuffer | string | object
export interface Ask { signal?: AbortSignal; type?: string }

async function send(method: string, path: string, body: Body | undefined, options: Ask): Promise<Response> {
  const headers: Record<string, string> = { accept: 'application/json' }
  if (method !== 'GET' && csrf !== undefined) headers['x-earlywood-csrf'] = csrf
  let sent: BodyInit | undefined
  if (body instanceof Blob || body instanceof Uint8Array || body instanceof ArrayBuffer || typeof body === 'string') {
    sent = body
    headers['content-type'] = options.type ?? (body instanceof Blob && body.type !== '' ? body.type : 'application/octet-stream')
  } else if (body !== undefined) {
    sent = JSON.stringify(body)
    headers['content-type'] = 'application/json'
  }
  let response: Response
  try {
    response = await fetch(`/api/1${path}`, {
      method, headers, credentials: 'same-origin',
      ...(sent === undefined ? {} : { body: sent }),
      ...(options.signal === undefined ? {} : { signal: options.signal }),
    })
  } catch (e) {
    if (options.signal?.aborted) throw e
    throw new Away()
  }
  if (!response.ok) {
    const problem = await response.json().catch(() => ({ code: 'unreadable', words: response.statusText })) as Problem
    if (response.status === 401 && path !== '/sign-in') onSignedOut()
    throw new Refused(response.status, problem)
  }
  return response
}

async function ask<T>(method: string, path: string, body: Body | undefined, options: Ask): Promise<T> {
  return await (await send(method, path, body, options)).json() as T
}

/** A file, and the name that the server gives it. */
async function file(path: string): Promise<{ blob: Blob; name: string }> {
  const response = await send('GET', path, undefined, {})
  const name = /filename="([^"]+)"/.exec(response.headers.get('content-disposition') ?? '')?.[1]
  return { blob: await response.blob(), name: name ?? 'earlywood' }
}

export const api = {
  get: <T>(path: string, options: Ask = {}): Promise<T> => ask<T>('GET', path, undefined, options),
  post: <T>(path: string, body: Body = {}, options: Ask = {}): Promise<T> => ask<T>('POST', path, body, options),
  put: <T>(path: string, body: Body, options: Ask = {}): Promise<T> => ask<T>('PUT', path, body, options),
  delete: <T>(path: string, options: Ask = {}): Promise<T> => ask<T>('DELETE', path, undefined, options),
  file,
  me: (): Promise<Me> => ask<Me>('GET', '/me', undefined, {}),
}

/** A path's query from what is set. */
export function query(values: Record<string, string | number | boolean | undefined>): string {
  const set = Object.entries(values).filter(([, v]) => v !== undefined && v !== '')
  return set.length === 0 ? '' : `?${new URLSearchParams(set.map(([k, v]) => [k, String(v)]))}`
}
