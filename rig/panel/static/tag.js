// A wheel's label by the camera: the photograph is made small here and read at the rig.

import { answerOf, headers } from './net.js';

const MOST_PIXELS = 1800; // Along the longer side: a module of the code then has three pixels where the label fills a third of it.
const QUALITY = 0.7;

export async function read(photograph) {
  const image = await createImageBitmap(photograph);
  const scale = Math.min(1, MOST_PIXELS / Math.max(image.width, image.height));
  const canvas = document.createElement('canvas');
  canvas.width = Math.round(scale * image.width);
  canvas.height = Math.round(scale * image.height);
  const brush = canvas.getContext('2d');
  brush.filter = 'grayscale(1)';
  brush.drawImage(image, 0, 0, canvas.width, canvas.height);
  const body = await new Promise((made) => canvas.toBlob(made, 'image/jpeg', QUALITY));
  return answerOf(await fetch('/api/tag', { method: 'POST', headers: headers('image/jpeg'), body }));
}
