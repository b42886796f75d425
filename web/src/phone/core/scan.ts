// Reading squares and bars with the camera: the browser's own reader where there is one, else a library that is fetched when needed.

export interface Scanner { stop(): void; hasTorch: boolean; torch(on: boolean): Promise<boolean> }

interface Detector { detect(source: HTMLVideoElement): Promise<{ rawValue: string }[]> }
interface DetectorKind { new (options: { formats: string[] }): Detector; getSupportedFormats(): Promise<string[]> }

const FORMATS = ['qr_code', 'data_matrix', 'code_128', 'code_39']
const EVERY_MS = 150

async function ownReader(): Promise<Detector | undefined> {
  const kind = (globalThis as { BarcodeDetector?: DetectorKind }).BarcodeDetector
  if (kind === undefined) return undefined
  try {
    const formats = (await kind.getSupportedFormats()).filter((format) => FORMATS.includes(format))
    return formats.includes('qr_code') ? new kind({ formats }) : undefined
  } catch {
    return undefined
  }
}

/** Starts the camera; throws where there is none or it was refused. */
export async function startScan(video: HTMLVideoElement, onRead: (text: string) => void): Promise<Scanner> {
  if (navigator.mediaDevices?.getUserMedia === undefined) throw new Error('no camera')
  const stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: 'environment' }, audio: false })
  const track = stream.getVideoTracks()[0] 
  let over = false
  const stop = (): void => {
    over = true
    for (const one of stream.getTracks()) one.stop()
    video.srcObject = null
  }
  try {
    video.srcObject = stream
    await video.play()
    const own = await ownReader()
    const read = own === undefined ? await libraryReader(video) : async () => (await own.detect(video))[0]?.rawValue
    void look(read, () => over, onRead)
  } catch (error) {
    stop()
    throw error
  }
  return {
    stop,
    hasTorch: (track?.getCapabilities?.() as { torch?: boolean } | undefined)?.torch === true,
    torch: async (on) => {
      try {
        await track?.applyConstraints({ advanced: [{ torch: on } as MediaTrackConstraintSet] })
        return on
      } catch {
        return false
      }
    },
  }
}

async function look(read: () => Promise<string | undefined>, over: () => boolean, onRead: (text: string) => void): Promise<void> {
  while (!over()) {
    const text = await read().catch(() => undefined)
    if (over()) return
    if (text !== undefined && text !== '') {
      navigator.vibrate?.(60)
      onRead(text)
      return
    }
    await new Promise((done) => setTimeout(done, EVERY_MS))
  }
}

async function libraryReader(video: HTMLVideoElement): Promise<() => Promise<string | undefined>> {
  const { BrowserMultiFormatReader } = await import('@zxing/browser')
  const reader = new BrowserMultiFormatReader()
  const canvas = document.createElement('canvas')
  return async () => {
    if (video.videoWidth === 0) return undefined
    canvas.width = video.videoWidth
    canvas.height = video.videoHeight
    canvas.getContext('2d', { willReadFrequently: true })?.drawImage(video, 0, 0)
    try {
      return reader.decodeFromCanvas(canvas).getText()
    } catch {
      return undefined
    }
  }
}
