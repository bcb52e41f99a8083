// Added time by shot over the print's hours: a bar a shot, joined where they would be narrower than a pixel.

class Timeline {
  constructor(canvas, data) {
    this.canvas = canvas;
    this.data = data;
    this.left = 56;
    this.right = 12;
    this.base = 34; // px below the bars
    canvas.addEventListener("click", (event) => this.onPick?.(this.nearest(event.offsetX)));
  }

  x(time_s) {
    const width = this.canvas.clientWidth - this.left - this.right;
    return this.left + (width * time_s) / Math.max(this.data.plan.print_s, 1);
  }

  nearest(px) {
    const { shots } = this.data.plan;
    let best = 0;
    for (let k = 1; k < shots.length; k++) {
      if (Math.abs(this.x(shots[k].at_s) - px) < Math.abs(this.x(shots[best].at_s) - px)) best = k;
    }
    return best;
  }

  draw(index, layer, edits) {
    const { canvas, data } = this;
    const ratio = window.devicePixelRatio || 1;
    const [width, height] = [canvas.clientWidth, canvas.clientHeight];
    canvas.width = width * ratio;
    canvas.height = height * ratio;
    const pen = canvas.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, width, height);
    const bars = this.bars(edits);
    const most = Math.max(1, ...bars.map((bar) => bar.sum));
    const top = 16, floor = height - this.base;
    const y = (seconds) => floor - ((floor - top) * seconds) / most;
    this.drawAxes(pen, width, floor, most, y);
    for (const bar of bars) {
      let from = 0;
      for (const [fill, seconds] of bar.parts) {
        pen.fillStyle = fill;
        pen.fillRect(bar.x, y(from + seconds), bar.width, y(from) - y(from + seconds));
        from += seconds;
      }
      if (bar.visible) {
        pen.fillStyle = colour("--warn");
        pen.beginPath();
        pen.moveTo(bar.x + bar.width / 2 - 4, y(from) - 9);
        pen.lineTo(bar.x + bar.width / 2 + 4, y(from) - 9);
        pen.lineTo(bar.x + bar.width / 2, y(from) - 2);
        pen.fill();
      }
    }
    for (const other of data.left_out) {
      const px = this.x(other.at_s);
      pen.strokeStyle = colour("--warn");
      pen.lineWidth = 1.5;
      pen.beginPath();
      pen.moveTo(px - 3, floor + 3);
      pen.lineTo(px + 3, floor + 9);
      pen.moveTo(px + 3, floor + 3);
      pen.lineTo(px - 3, floor + 9);
      pen.stroke();
    }
    const now = index >= 0 ? this.x(data.plan.shots[index].at_s) : this.x(data.layer_end_s[layer]);
    pen.strokeStyle = colour("--ink");
    pen.lineWidth = 1.5;
    pen.strokeRect(now - 4, top - 8, 8, floor - top + 8);
  }

  // Shots that fall onto one pixel are one bar, so that the bars' heights stay comparable: it shows their mean.
  bars(edits) {
    const { plan, cameras, visible } = this.data;
    const own = new Map(cameras.map(({ name, colour: fill }) => [name, fill]));
    const room = Math.max(1, (this.canvas.clientWidth - this.left - this.right) / Math.max(plan.shots.length, 1));
    const width = Math.max(1, Math.min(18, 0.7 * room));
    const slots = new Map();
    plan.shots.forEach((_, k) => {
      const shot = edits.shot(k), px = this.x(shot.at_s);
      const slot = Math.round(px / Math.max(width, 1.5));
      const known = slots.get(slot) ?? { x: px - width / 2, count: 0, sum: 0, by: new Map(), visible: false };
      slots.set(slot, known);
      known.count++;
      if (edits.left.has(k)) return;
      known.visible ||= visible.includes(k);
      const share = shot.cost_s / shot.stops.length;
      for (const stop of shot.stops) {
        const fill = own.get(stop.cameras[0]);
        known.by.set(fill, (known.by.get(fill) ?? 0) + share);
        known.sum += share;
      }
    });
    return [...slots.values()].map((slot) => ({
      x: slot.x,
      width,
      visible: slot.visible,
      sum: slot.sum / slot.count,
      parts: [...slot.by].map(([fill, seconds]) => [fill, seconds / slot.count]),
    }));
  }

  drawAxes(pen, width, floor, most, y) {
    const { print_s } = this.data.plan;
    pen.strokeStyle = colour("--grid");
    pen.fillStyle = colour("--ink");
    pen.font = "12px sans-serif";
    pen.lineWidth = 1;
    const step = niceStep(most / 3);
    pen.textAlign = "right";
    for (let v = 0; v <= most; v += step) {
      pen.beginPath();
      pen.moveTo(this.left, y(v));
      pen.lineTo(width - this.right, y(v));
      pen.stroke();
      pen.fillText(`${v} s`, this.left - 6, y(v) + 4);
    }
    pen.textAlign = "center";
    const minutes = [1, 2, 5, 10, 15, 30, 60, 120, 240, 480, 1440].find((m) => print_s / 60 / m <= Math.max(2, width / 90)) ?? 1440;
    for (let t = 0; t <= print_s / 60; t += minutes) pen.fillText(hours(t * 60), this.x(t * 60), floor + 24);
    pen.textAlign = "left";
  }
}

function niceStep(value) {
  const ten = 10 ** Math.floor(Math.log10(Math.max(value, 0.1)));
  return [1, 2, 5, 10].map((m) => m * ten).find((step) => step >= value) ?? ten;
}

function hours(seconds) {
  const whole = Math.round(seconds / 60);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")} h`;
}

function clock(seconds) {
  const whole = Math.round(seconds);
  const two = (value) => String(value).padStart(2, "0");
  return `${Math.floor(whole / 3600)}:${two(Math.floor(whole / 60) % 60)}:${two(whole % 60)}`;
}
