// A photo for an entry: turned upright, made smaller, and without what the camera adds (its position and its owner).

import { hashOf } from './entry'
import type { NewPhoto } from './outbox'

/** Longer edge, pixels. Enough to count the teeth of a claw on a close photo, and about 400 kB. Design choice. */
const EDGE = 1_600
const QUALITY = 0.82

export async function photoOf(file: Blob): Promise<NewPhoto> {
  const image = await createImageBitmap(file, { imageOrientation: 'from-image' })
  const scale = Math.min(1, EDGE / Math.max(image.width, image.height))
  const canvas = document.createElement('canvas')
  canvas.width = Math.max(1, Math.round(image.width * scale))
  canvas.height = Math.max(1, Math.round(image.height * scale))
  canvas.getContext('2d')?.drawImage(image, 0, 0, canvas.width, canvas.height)
  image.close()
  const small = await new Promise<Blob | null>((done) => canvas.toBlob(done, 'image/jpeg', QUALITY))
  if (small === null) throw new Error('the photo could not be read')
  const bytes = new Uint8Array(await small.arrayBuffer())
  return { hash: hashOf(bytes), bytes, media: 'image/jpeg' }
}
