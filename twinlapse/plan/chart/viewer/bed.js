// The bed from above: what is printed by then, the layer's lines, the toolhead's outline and its path. Zoom and pan.

class Bed {
  constructor(canvas, data) {
    this.canvas = canvas;
    this.data = data;
    this.printed = document.createElement("canvas");
    this.printedLayer = -1;
    this.fit(data.print_box_mm, 0.14);
    this.onPlace = null; // set while a person picks a place
    this.listen();
  }

  fit([x0, x1, y0, y1], margin = 0.04) {
    const { width, height } = this.size();
    const air = margin * Math.max(x1 - x0, y1 - y0, 10);
    this.scale = Math.min(width / (x1 - x0 + 2 * air), height / (y1 - y0 + 2 * air));
    this.middle = [(x0 + x1) / 2, (y0 + y1) / 2];
  }

  size() {
    return { width: this.canvas.clientWidth || 640, height: this.canvas.clientHeight || 480 };
  }

  zoom(factor, at = null) {
    const { width, height } = this.size();
    const px = at ?? [width / 2, height / 2];
    const before = this.toBed(px);
    this.scale = Math.min(200, Math.max(0.2, this.scale * factor));
    const after = this.toBed(px);
    this.middle = [this.middle[0] + before[0] - after[0], this.middle[1] + before[1] - after[1]];
  }

  pan(dx, dy) {
    this.middle = [this.middle[0] - dx / this.scale, this.middle[1] + dy / this.scale];
  }

  toBed([px, py]) {
    const { width, height } = this.size();
    return [this.middle[0] + (px - width / 2) / this.scale, this.middle[1] - (py - height / 2) / this.scale];
  }

  toPixel(x, y) {
    const { width, height } = this.size();
    return [(x - this.middle[0]) * this.scale + width / 2, height / 2 - (y - this.middle[1]) * this.scale];
  }

  listen() {
    const pointers = new Map();
    let moved = false;
    const at = (event) => [event.offsetX, event.offsetY];
    this.canvas.addEventListener("wheel", (event) => {
      event.preventDefault();
      this.zoom(Math.exp(-event.deltaY / 400), at(event));
      this.changed();
    }, { passive: false });
    this.canvas.addEventListener("pointerdown", (event) => {
      this.canvas.setPointerCapture(event.pointerId);
      pointers.set(event.pointerId, at(event));
      moved = false;
    });
    this.canvas.addEventListener("pointermove", (event) => {
      const before = pointers.get(event.pointerId);
      if (!before) return;
      const now = at(event);
      if (pointers.size === 2) {
        const [other] = [...pointers].filter(([id]) => id !== event.pointerId).map(([, place]) => place);
        const was = Math.hypot(before[0] - other[0], before[1] - other[1]);
        const is = Math.hypot(now[0] - other[0], now[1] - other[1]);
        if (was > 0) this.zoom(is / was, other);
      } else if (Math.hypot(now[0] - before[0], now[1] - before[1]) > (moved ? 0 : 4)) {
        this.pan(now[0] - before[0], now[1] - before[1]);
      } else return;
      moved = true;
      pointers.set(event.pointerId, now);
      this.changed();
    });
    for (const kind of ["pointerup", "pointercancel"]) {
      this.canvas.addEventListener(kind, (event) => {
        pointers.delete(event.pointerId);
        if (kind === "pointerup" && !moved) this.onClick?.(this.toBed(at(event)));
      });
    }
  }

  changed() {
    this.onChange?.();
  }

  draw(layer, index, edits) {
    const { data, canvas } = this;
    const ratio = window.devicePixelRatio || 1;
    const { width, height } = this.size();
    if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
      canvas.width = Math.round(width * ratio);
      canvas.height = Math.round(height * ratio);
    }
    const pen = canvas.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, width, height);
    this.drawPlate(pen);
    this.drawPrinted(pen, layer);
    this.drawLayer(pen, layer);
    if (index >= 0) this.drawShot(pen, index, edits);
    this.drawScale(pen, width, height);
  }

  drawPlate(pen) {
    const { bed_mm: [x0, x1, y0, y1], round, keep_outs } = this.data.printer;
    pen.fillStyle = colour("--plate");
    pen.strokeStyle = colour("--ink");
    pen.lineWidth = 1.2;
    pen.beginPath();
    if (round) pen.arc(...this.toPixel((x0 + x1) / 2, (y0 + y1) / 2), (Math.min(x1 - x0, y1 - y0) / 2) * this.scale, 0, 7);
    else pen.rect(...this.toPixel(x0, y1), (x1 - x0) * this.scale, (y1 - y0) * this.scale);
    pen.fill();
    pen.stroke();
    pen.font = "12px sans-serif";
    for (const box of keep_outs) {
      const [px, py] = this.toPixel(box.x_mm[0], box.y_mm[1]);
      const [w, h] = [(box.x_mm[1] - box.x_mm[0]) * this.scale, (box.y_mm[1] - box.y_mm[0]) * this.scale];
      pen.save();
      pen.beginPath();
      pen.rect(px, py, w, h);
      pen.stroke();
      pen.clip();
      pen.globalAlpha = 0.5;
      for (let d = -h; d < w; d += 8) {
        pen.beginPath();
        pen.moveTo(px + d, py + h);
        pen.lineTo(px + d + h, py);
        pen.stroke();
      }
      pen.restore();
      pen.fillStyle = colour("--ink");
      pen.fillText(box.z_mm === null ? "keep out" : `keep out to ${box.z_mm} mm`, px + 2, py + h + 14);
    }
  }

  drawPrinted(pen, layer) {
    const { grid, first_layer } = this.data;
    if (this.printedLayer !== layer) {
      this.printed.width = grid.columns;
      this.printed.height = grid.rows;
      const picture = new ImageData(grid.columns, grid.rows);
      const shade = new Uint32Array(picture.data.buffer);
      const filled = rgbaOf(colour("--printed"));
      for (let k = 0; k < first_layer.length; k++) if (first_layer[k] <= layer) shade[k] = filled;
      this.printed.getContext("2d").putImageData(picture, 0, 0);
      this.printedLayer = layer;
    }
    const [px, py] = this.toPixel(grid.x_mm, grid.y_mm + grid.rows * grid.cell_mm);
    pen.imageSmoothingEnabled = false;
    pen.drawImage(this.printed, px, py, grid.columns * grid.cell_mm * this.scale, grid.rows * grid.cell_mm * this.scale);
  }

  drawLayer(pen, layer) {
    const { data } = this;
    pen.strokeStyle = colour("--line");
    pen.lineWidth = Math.max(1, Math.min(0.4 * this.scale, 6));
    pen.lineJoin = pen.lineCap = "round";
    pen.beginPath();
    for (let path = data.layer_path[layer]; path < data.layer_path[layer + 1]; path++) {
      for (let k = data.path_start[path]; k < data.path_start[path + 1]; k++) {
        const [px, py] = this.toPixel(data.points[2 * k], data.points[2 * k + 1]);
        if (k === data.path_start[path]) pen.moveTo(px, py);
        else pen.lineTo(px, py);
      }
    }
    pen.stroke();
  }

  drawShot(pen, index, edits) {
    const shot = edits.shot(index), left = edits.left.has(index);
    const path = edits.path(shot, edits.home(index)).map(([x, y]) => this.toPixel(x, y));
    pen.save();
    pen.globalAlpha = left ? 0.3 : 1;
    for (const [stroke, thick, dash] of [[colour("--paper"), 4, []], [colour("--ink"), 1.8, [7, 4]]]) {
      pen.strokeStyle = stroke;
      pen.lineWidth = thick;
      pen.setLineDash(dash);
      pen.beginPath();
      path.forEach(([px, py], k) => (k ? pen.lineTo(px, py) : pen.moveTo(px, py)));
      pen.stroke();
    }
    pen.setLineDash([]);
    shot.stops.forEach((stop, k) => {
      const camera = this.data.cameras.find(({ name }) => name === stop.cameras[0]);
      const [px, py] = this.toPixel(stop.x_mm, stop.y_mm);
      pen.strokeStyle = camera.colour;
      pen.lineWidth = 1.2;
      pen.setLineDash([2, 4]);
      pen.beginPath();
      pen.arc(px, py, this.data.printer.toolhead.radius_mm * this.scale, 0, 7);
      pen.stroke();
      pen.setLineDash([]);
      if (camera.look_mm) {
        const [lx, ly] = this.toPixel(stop.x_mm + camera.look_mm[0], stop.y_mm + camera.look_mm[1]);
        pen.beginPath();
        pen.moveTo(px, py);
        pen.lineTo(lx, ly);
        pen.arc(lx, ly, 6, 0, 7);
        pen.stroke();
      }
      marker(pen, camera.shape, px, py, 7, camera.colour);
      label(pen, `${k + 1} ${stop.cameras.join(" + ")}`, px + 12, py + 5);
    });
    const [hx, hy] = path[0];
    pen.strokeStyle = colour("--ink");
    pen.lineWidth = 2;
    pen.beginPath();
    pen.moveTo(hx - 5, hy - 5);
    pen.lineTo(hx + 5, hy + 5);
    pen.moveTo(hx + 5, hy - 5);
    pen.lineTo(hx - 5, hy + 5);
    pen.stroke();
    pen.restore();
  }

  drawScale(pen, width, height) {
    const mm = [1, 2, 5, 10, 20, 50, 100].find((step) => step * this.scale > 50) ?? 100;
    pen.strokeStyle = pen.fillStyle = colour("--ink");
    pen.lineWidth = 2;
    pen.beginPath();
    pen.moveTo(width - 16 - mm * this.scale, height - 14);
    pen.lineTo(width - 16, height - 14);
    pen.stroke();
    label(pen, `${mm} mm`, width - 16 - mm * this.scale, height - 20);
    label(pen, "front of the bed below", 10, height - 12);
  }
}

function marker(pen, shape, x, y, r, fill) {
  pen.beginPath();
  if (shape === "circle") pen.arc(x, y, r, 0, 7);
  else if (shape === "square") pen.rect(x - r, y - r, 2 * r, 2 * r);
  else {
    const corners = { triangle: 3, diamond: 4, cross: 6, star: 5 }[shape] ?? 4;
    for (let k = 0; k < corners; k++) {
      const turn = (k / corners) * 2 * Math.PI - Math.PI / 2;
      pen[k ? "lineTo" : "moveTo"](x + 1.2 * r * Math.cos(turn), y + 1.2 * r * Math.sin(turn));
    }
    pen.closePath();
  }
  pen.fillStyle = fill;
  pen.fill();
  pen.strokeStyle = colour("--paper");
  pen.lineWidth = 1.5;
  pen.stroke();
}

function label(pen, text, x, y) {
  pen.font = "13px sans-serif";
  pen.strokeStyle = colour("--paper");
  pen.lineWidth = 4;
  pen.lineJoin = "round";
  pen.strokeText(text, x, y);
  pen.fillStyle = colour("--ink");
  pen.fillText(text, x, y);
}
