// The data of the page: base64 of gzip of a JSON head and the arrays that it names.

const ARRAYS = { i2: Int16Array, u2: Uint16Array, u4: Uint32Array, f4: Float32Array };

async function unpack(text) {
  const packed = Uint8Array.from(atob(text.trim()), (character) => character.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
  const bytes = await new Response(stream).arrayBuffer();
  const length = new DataView(bytes).getUint32(0, true);
  const data = JSON.parse(new TextDecoder().decode(new Uint8Array(bytes, 4, length)));
  for (const [name, { type, offset, count }] of Object.entries(data.arrays)) {
    // arrays start at multiples of 4 behind the head, as typed arrays require
    data[name] = new ARRAYS[type](bytes, offset, count);
  }
  data.points = restorePoints(data);
  return data;
}

// Points are stored as steps from the one before within their path, in units of `unit_mm` (smaller when packed).
function restorePoints({ steps, path_start, unit_mm, origin_mm }) {
  const points = new Float32Array(steps.length);
  for (let path = 0; path + 1 < path_start.length; path++) {
    let x = 0, y = 0;
    for (let k = path_start[path]; k < path_start[path + 1]; k++) {
      x += steps[2 * k];
      y += steps[2 * k + 1];
      points[2 * k] = origin_mm[0] + x * unit_mm;
      points[2 * k + 1] = origin_mm[1] + y * unit_mm;
    }
  }
  return points;
}
