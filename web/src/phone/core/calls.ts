// The calls that a phone makes: enrolment, and those that it signs with its key (crates/server/API.md).

import type { DeviceEnrolled, PhoneDay, Problem } from '../../lib/api/types'
import { fromHex, utf8, uuidBytes, type Bytes } from './bytes'
import type { Device } from './db'
import { hashOf, messageBytes } from './entry'
import { isSigned, sign, type KeptKey } from './keys'
import { readOffer, unzipped, zipped, type Offer } from './sync'

/** Nobody answered, or the answer broke off. Try later. */
export class Away extends Error {}
/** The server understood and said no. */
export class Refused extends Error {
  readonly status: number
  readonly code: string
  constructor(status: number, problem: Problem) {
    super(problem.words)
    this.status = status
    this.code = problem.code
  }
}
/** The answer is not from the server that this phone was enrolled with, or was altered. Nothing of it is believed. */
export class NotProved extends Error {}

export interface Accepted { new: number; known: number; contents: number; 'held-back': { device: string; entries: number; why: string }[]; conflicts: number }

const TIMEOUT_MS = 120_000

type Fetch = typeof fetch

async function post(fetcher: Fetch, path: string, body: BodyInit, headers: Record<string, string>): Promise<Response> {
  let response: Response
  try {
    response = await fetcher(`/api/1${path}`, { method: 'POST', body, headers, credentials: 'omit', cache: 'no-store', signal: AbortSignal.timeout(TIMEOUT_MS) })
  } catch {
    throw new Away('no answer from the server')
  }
  if (response.ok) return response
  const problem = await response.json().catch(() => undefined) as Problem | undefined
  // A proxy or a captive portal that answers for the server says nothing about our entries.
  if (problem === undefined || typeof problem.code !== 'string') throw new Away(`no answer from the server (${response.status})`)
  throw new Refused(response.status, problem)
}

async function bytesOf(response: Response): Promise<Bytes> {
  try {
    return new Uint8Array(await response.arrayBuffer())
  } catch {
    throw new Away('the answer broke off')
  }
}

async function json<T>(response: Response): Promise<T> {
  try {
    return await response.json() as T
  } catch {
    throw new Away('the answer could not be read')
  }
}

export async function programmeId(fetcher: Fetch = fetch): Promise<string> {
  let response: Response
  try {
    response = await fetcher('/api/1/about', { cache: 'no-store', signal: AbortSignal.timeout(TIMEOUT_MS) })
  } catch {
    throw new Away('no answer from the server')
  }
  if (!response.ok) throw new Away(`no answer from the server (${response.status})`)
  const about = await json<{ programme?: string }>(response)
  if (typeof about.programme !== 'string') throw new Away('this is not a server of the programme')
  return about.programme
}

/** What a device signs to be enrolled with a code. */
export function enrolMessage(programme: string, device: string, publicKey: string, code: string): Bytes {
  return messageBytes(utf8('earlywood/enrol/1'), uuidBytes(programme), uuidBytes(device), fromHex(publicKey), utf8(code))
}

export async function enrol(device: string, key: KeptKey, code: string, fetcher: Fetch = fetch): Promise<DeviceEnrolled> {
  const programme = await programmeId(fetcher)
  const signature = await sign(key, enrolMessage(programme, device, key.publicKey, code))
  const body = JSON.stringify({ code, device, key: key.publicKey, signature })
  const enrolled = await json<DeviceEnrolled>(await post(fetcher, '/devices/enrol', body, { 'content-type': 'application/json' }))
  if (enrolled.programme?.id !== programme || !/^[0-9a-f]{64}$/.test(enrolled.server?.key ?? '')) throw new NotProved('the answer does not fit the question')
  return enrolled
}

export function requestMessage(programme: string, device: string, purpose: string, challenge: string, bodyHash: string): Bytes {
  return messageBytes(utf8('earlywood/sync/request/1'), uuidBytes(programme), uuidBytes(device), utf8(purpose), fromHex(challenge), fromHex(bodyHash))
}

export function replyMessage(programme: string, server: string, challenge: string, accepted: string, bodyHash: string): Bytes {
  return messageBytes(utf8('earlywood/sync/reply/1'), uuidBytes(programme), uuidBytes(server), fromHex(challenge), utf8(accepted), fromHex(bodyHash))
}

/** The signed calls of one device. A challenge counts once; each reply brings the next. */
export class Line {
  readonly #device: Device
  readonly #fetch: Fetch
  #challenge: string | undefined

  constructor(device: Device, fetcher: Fetch = (input, init) => fetch(input, init)) {
    this.#device = device
    this.#fetch = fetcher
  }

  async give(bundle: Bytes): Promise<{ offer: Offer; accepted: Accepted | undefined }> {
    const { bytes, accepted } = await this.#signed('/sync/give', 'give', bundle, 'application/x-ndjson')
    let offer: Offer
    try {
      offer = readOffer(bytes)
    } catch (error) {
      throw new NotProved((error as Error).message)
    }
    if (offer.programme !== this.#device.enrolled?.programme.id) throw new NotProved('the answer is of another programme')
    return { offer, accepted: accepted === '' ? undefined : JSON.parse(accepted) as Accepted }
  }

  async day(today: string): Promise<PhoneDay> {
    const { bytes, type } = await this.#signed('/phone/day', 'day', utf8(JSON.stringify({ today })), 'application/json')
    const plain = type.startsWith('application/gzip') ? await unzipped(bytes) : bytes
    return JSON.parse(new TextDecoder().decode(plain)) as PhoneDay
  }

  async #ask(): Promise<string> {
    const body = JSON.stringify({ device: this.#device.device })
    const reply = await json<{ challenge?: string }>(await post(this.#fetch, '/sync/challenge', body, { 'content-type': 'application/json' }))
    if (!/^[0-9a-f]{64}$/.test(reply.challenge ?? '')) throw new Away('the server gave no challenge')
    return reply.challenge as string
  }

  async #signed(path: string, purpose: string, plain: Bytes, type: string): Promise<{ bytes: Bytes; accepted: string; type: string }> {
    const packed = plain.length > 512 && typeof CompressionStream !== 'undefined'
    const body = packed ? await zipped(plain) : plain
    for (let turn = 0; ; turn++) {
      try {
        return await this.#once(path, purpose, body, type, packed)
      } catch (error) {
        const stale = error instanceof Refused && (error.code === 'challenge-expired' || error.code === 'challenge-used')
        if (!stale || turn >= 2) throw error
      }
    }
  }

  async #once(path: string, purpose: string, body: Bytes, type: string, packed: boolean): Promise<{ bytes: Bytes; accepted: string; type: string }> {
    const { device, key, enrolled } = this.#device
    if (enrolled === undefined) throw new Error('this phone is not set up')
    const challenge = this.#challenge ?? await this.#ask()
    this.#challenge = undefined
    const programme = enrolled.programme.id
    const hash = hashOf(body)
    const response = await post(this.#fetch, path, body, {
      'content-type': type,
      ...(packed ? { 'content-encoding': 'gzip' } : {}),
      'earlywood-programme': programme,
      'earlywood-device': device,
      'earlywood-challenge': challenge,
      'earlywood-body-hash': hash,
      'earlywood-signature': await sign(key, requestMessage(programme, device, purpose, challenge, hash)),
    })
    const bytes = await bytesOf(response)
    const header = (name: string): string => response.headers.get(name) ?? ''
    const accepted = header('earlywood-accepted')
    const bodyHash = hashOf(bytes)
    const proved = header('earlywood-device') === enrolled.server.device && header('earlywood-body-hash') === bodyHash
      && isSigned(enrolled.server.key, replyMessage(programme, enrolled.server.device, challenge, accepted, bodyHash), header('earlywood-signature'))
    if (!proved) throw new NotProved('the answer is not signed by the server that this phone was set up with')
    const next = header('earlywood-challenge')
    if (/^[0-9a-f]{64}$/.test(next)) this.#challenge = next
    return { bytes, accepted, type: header('content-type') }
  }
}

