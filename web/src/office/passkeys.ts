// Passkeys: the browser's own question, and its answer as the JSON the server reads.

import { api } from '../lib/api/client'
import type { Me, Passkey } from '../lib/api/types'

type Json = Record<string, unknown>

function bytes(text: string): Uint8Array<ArrayBuffer> {
  const plain = atob(text.replace(/-/g, '+').replace(/_/g, '/'))
  return Uint8Array.from(plain, (c) => c.charCodeAt(0))
}

function text(buffer: ArrayBuffer | null): string | undefined {
  if (buffer === null) return undefined
  return btoa(String.fromCharCode(...new Uint8Array(buffer))).replace(/\+/g, '-').replace(/\//g, '_').replace(/=+$/, '')
}

const withBytes = (list: unknown): unknown => (Array.isArray(list) ? list.map((c: Json) => ({ ...c, id: bytes(String(c['id'])) })) : undefined)

/** The server's options may come bare or under "publicKey". */
function bare(options: Json): Json {
  return (options['publicKey'] as Json | undefined) ?? options
}

function asJson(credential: PublicKeyCredential): Json {
  const response = credential.response
  const common = { clientDataJSON: text(response.clientDataJSON) }
  const said = response instanceof AuthenticatorAttestationResponse
    ? { ...common, attestationObject: text(response.attestationObject), transports: response.getTransports() }
    : response instanceof AuthenticatorAssertionResponse
      ? { ...common, authenticatorData: text(response.authenticatorData), signature: text(response.signature), userHandle: text(response.userHandle) }
      : common
  return { id: credential.id, rawId: text(credential.rawId), type: credential.type, response: said, extensions: credential.getClientExtensionResults(), clientExtensionResults: credential.getClientExtensionResults() }
}

export async function signInWithPasskey(person: string): Promise<Me> {
  const o = bare(await api.post<Json>('/passkeys/sign-in/begin', { person }))
  const credential = await navigator.credentials.get({
    publicKey: { ...o, challenge: bytes(String(o['challenge'])), allowCredentials: withBytes(o['allowCredentials']) } as unknown as PublicKeyCredentialRequestOptions,
  })
  if (!(credential instanceof PublicKeyCredential)) throw new Error('no passkey')
  return await api.post<Me>('/passkeys/sign-in/finish', { credential: asJson(credential) })
}

export async function addPasskey(label: string): Promise<Passkey> {
  const o = bare(await api.post<Json>('/passkeys/register/begin'))
  const user = o['user'] as Json
  const credential = await navigator.credentials.create({
    publicKey: {
      ...o, challenge: bytes(String(o['challenge'])), user: { ...user, id: bytes(String(user['id'])) }, excludeCredentials: withBytes(o['excludeCredentials']),
    } as unknown as PublicKeyCredentialCreationOptions,
  })
  if (!(credential instanceof PublicKeyCredential)) throw new Error('no passkey')
  return await api.post<Passkey>('/passkeys/register/finish', { label, credential: asJson(credential) })
}
