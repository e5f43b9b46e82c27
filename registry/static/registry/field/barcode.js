// Reading a label by the camera: the browser's own detector where it has one, else the decoder beside this.

const DECODER = new URL("vendor/zxing/reader/index.js", import.meta.url);
const WASM = new URL("vendor/zxing/zxing_reader.wasm", import.meta.url);
const PAUSE_MS = 120; // between two looks, so that the phone stays cool
// What labels of devices, cabinets and products carry.
const NATIVE = ["code_128", "code_39", "data_matrix", "qr_code", "ean_13", "ean_8", "upc_a", "itf"];
const FORMATS = ["Code128", "Code39", "DataMatrix", "QRCode", "EAN13", "EAN8", "UPCA", "ITF14", "DataBar"];
// A browser's detector leaves out the symbology identifier (ISO/IEC 15424), by which the register tells a
// product's number from a serial.
const MARKS = { ean_13: "]E0", ean_8: "]E4", upc_a: "]E00" };

let decoder = null;

/** Return a function that reads codes off a picture: [{text, format}], as the register reads scans. */
async function reader() {
  decoder ??= (await native()) ?? (await vendored());
  return decoder;
}

async function native() {
  if (!("BarcodeDetector" in globalThis)) {
    return null;
  }
  const able = await BarcodeDetector.getSupportedFormats();
  const formats = NATIVE.filter((format) => able.includes(format));
  if (formats.length < NATIVE.length) {
    return null; // a detector that misses half of the labels is worse than a slower one
  }
  const detector = new BarcodeDetector({ formats });
  return async (picture) =>
    (await detector.detect(picture)).map((code) => ({
      text: `${MARKS[code.format] ?? ""}${code.rawValue}`,
      format: code.format,
    }));
}

async function vendored() {
  const { prepareZXingModule, readBarcodes } = await import(DECODER);
  await prepareZXingModule({ overrides: { locateFile: () => WASM.href }, fireImmediately: true });
  return async (picture) => {
    const codes = await readBarcodes(picture, { formats: FORMATS, textMode: "Plain", maxNumberOfSymbols: 4 });
    return codes
      .filter((code) => code.isValid)
      .map((code) => ({ text: `${code.symbologyIdentifier}${code.text}`, format: code.format }));
  };
}

/** Read the codes on a picture: ImageData, or a Blob of one. */
export async function readPicture(picture) {
  const read = await reader();
  return read(picture instanceof Blob && "BarcodeDetector" in globalThis ? await createImageBitmap(picture) : picture);
}

/** Start the camera at the back and show it; rejects where there is none or it is not allowed. */
export async function openCamera(video) {
  const stream = await navigator.mediaDevices.getUserMedia({
    audio: false,
    video: { facingMode: "environment", width: { ideal: 1280 }, height: { ideal: 720 } },
  });
  video.srcObject = stream;
  video.playsInline = true;
  await video.play();
}

/** Stop the camera. */
export function closeCamera(video) {
  for (const track of video.srcObject?.getTracks() ?? []) {
    track.stop();
  }
  video.srcObject = null;
}

/** Look at a playing video until it shows codes, and return them: [{text, format}]. Stops with `signal`. */
export async function scanFrom(video, { signal } = {}) {
  const read = await reader();
  const canvas = document.createElement("canvas");
  const context = canvas.getContext("2d", { willReadFrequently: true });
  for (;;) {
    signal?.throwIfAborted();
    if (video.readyState >= HTMLMediaElement.HAVE_CURRENT_DATA && video.videoWidth) {
      canvas.width = video.videoWidth;
      canvas.height = video.videoHeight;
      context.drawImage(video, 0, 0);
      const codes = await read(context.getImageData(0, 0, canvas.width, canvas.height));
      if (codes.length) {
        return codes;
      }
    }
    await new Promise((resolve) => setTimeout(resolve, PAUSE_MS));
  }
}
