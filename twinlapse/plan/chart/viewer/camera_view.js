// What a camera will see at a stop: the print so far, the bed's grid and the toolhead as lines, through its lens.

const LAYERS_DRAWN = 24; // below the one just printed, evenly: enough to show the shape
const GRID_MM = 20;

// The pose is linear in the nozzle's place: place = at + along * nozzle; the axes stay.
function poseAt(camera, nozzle) {
  const place = camera.at_mm.map((at, axis) => at + camera.along[axis] * nozzle[axis]);
  return { place, axes: camera.axes };
}

// Pixels of a point in bed coordinates, null behind the camera (models: OpenCV's calib3d).
function projected({ place, axes }, lens, point) {
  const d = [point[0] - place[0], point[1] - place[1], point[2] - place[2]];
  const [x, y, z] = axes.map((axis) => axis[0] * d[0] + axis[1] * d[1] + axis[2] * d[2]);
  const [k1, k2, p1, p2, k3] = [...lens.distortion, 0, 0, 0, 0, 0];
  if (lens.kind === "fisheye") {
    const r = Math.hypot(x, y), angle = Math.atan2(r, z);
    if (angle > 1.9) return null;
    const a2 = angle * angle;
    const bent = angle * (1 + a2 * (k1 + a2 * (k2 + a2 * (p1 + a2 * p2))));
    const scale = r > 1e-9 ? (lens.focal_px * bent) / r : 0;
    return [lens.axis_px[0] + scale * x, lens.axis_px[1] + scale * y];
  }
  if (z < 0.5) return null;
  const u = x / z, v = y / z, r2 = u * u + v * v;
  const radial = Math.max(0.2, 1 + r2 * (k1 + r2 * (k2 + r2 * k3)));
  return [
    lens.axis_px[0] + lens.focal_px * (u * radial + 2 * p1 * u * v + p2 * (r2 + 2 * u * u)),
    lens.axis_px[1] + lens.focal_px * (v * radial + p1 * (r2 + 2 * v * v) + 2 * p2 * u * v),
  ];
}

function drawCameraView(canvas, data, camera, layer, nozzle) {
  const { lens } = camera;
  const turned = camera.rotate_deg % 180 !== 0;
  const [width, height] = turned ? [lens.height_px, lens.width_px] : [lens.width_px, lens.height_px];
  const shown = canvas.clientWidth || 320, ratio = window.devicePixelRatio || 1;
  canvas.width = shown * ratio;
  canvas.height = (canvas.width * height) / width;
  const pen = canvas.getContext("2d");
  const scale = canvas.width / width;
  pen.fillStyle = colour("--view");
  pen.fillRect(0, 0, canvas.width, canvas.height);
  pen.save();
  pen.scale(scale, scale);
  pen.translate(width / 2, height / 2);
  pen.rotate((camera.rotate_deg * Math.PI) / 180);
  if (camera.mirror) pen.scale(-1, 1);
  pen.translate(-lens.width_px / 2, -lens.height_px / 2);
  const pose = poseAt(camera, nozzle);
  const line = (points, stroke, thick) => {
    pen.strokeStyle = stroke;
    pen.lineWidth = (thick * ratio) / scale;
    pen.beginPath();
    let down = false;
    for (const point of points) {
      const pixel = projected(pose, lens, point);
      if (!pixel || Math.abs(pixel[0]) > 20 * lens.width_px || Math.abs(pixel[1]) > 20 * lens.height_px) {
        down = false;
        continue;
      }
      if (down) pen.lineTo(pixel[0], pixel[1]);
      else pen.moveTo(pixel[0], pixel[1]);
      down = true;
    }
    pen.stroke();
  };
  drawBedGrid(data, line);
  drawPrint(data, layer, line, camera.colour);
  drawToolhead(data, camera, nozzle, line);
  pen.restore();
}

function drawBedGrid(data, line) {
  const [x0, x1, y0, y1] = data.printer.bed_mm;
  const steps = (low, high) => {
    const all = [];
    for (let v = Math.ceil(low / GRID_MM) * GRID_MM; v <= high; v += GRID_MM) all.push(v);
    return all;
  };
  const faint = colour("--grid");
  const ten = [...Array(11).keys()].map((k) => k / 10);
  for (const x of steps(x0, x1)) line(ten.map((s) => [x, y0 + s * (y1 - y0), 0]), faint, 0.7);
  for (const y of steps(y0, y1)) line(ten.map((s) => [x0 + s * (x1 - x0), y, 0]), faint, 0.7);
}

function drawPrint(data, layer, line, own) {
  const step = Math.max(1, Math.floor(layer / LAYERS_DRAWN));
  for (let below = layer % step; below < layer; below += step) layerLines(data, below, line, colour("--printed-line"), 0.7);
  layerLines(data, layer, line, own, 1.6);
}

function layerLines(data, layer, line, stroke, thick) {
  const z = data.layer_z_mm[layer];
  for (let path = data.layer_path[layer]; path < data.layer_path[layer + 1]; path++) {
    const points = [];
    for (let k = data.path_start[path]; k < data.path_start[path + 1]; k++) {
      points.push([data.points[2 * k], data.points[2 * k + 1], z]);
    }
    line(points, stroke, thick);
  }
}

function drawToolhead(data, camera, nozzle, line) {
  const { toolhead } = data.printer;
  const ring = (radius, z) =>
    [...Array(33).keys()].map((k) => {
      const turn = (k * Math.PI) / 16;
      return [nozzle[0] + radius * Math.cos(turn), nozzle[1] + radius * Math.sin(turn), nozzle[2] + z];
    });
  const ink = colour("--ink");
  line(ring(toolhead.nozzle_radius_mm, toolhead.nozzle_length_mm), ink, 1);
  for (const k of [0, 8, 16, 24]) line([nozzle, ring(toolhead.nozzle_radius_mm, toolhead.nozzle_length_mm)[k]], ink, 1);
  if (camera.mount === "toolhead") return; // it looks out from under the block
  const low = ring(toolhead.radius_mm, toolhead.nozzle_length_mm), high = ring(toolhead.radius_mm, toolhead.height_mm);
  line(low, ink, 1.2);
  line(high, ink, 1.2);
  for (const k of [0, 8, 16, 24]) line([low[k], high[k]], ink, 1);
}
