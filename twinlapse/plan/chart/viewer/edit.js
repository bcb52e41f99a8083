// What a person changes in the plan: shots left out, stops moved. Added time and film length follow.

class Edits {
  constructor(data) {
    this.data = data;
    this.left = new Set(); // indexes of shots that are left out
    this.moved = new Map(); // index of shot -> Map(index of stop -> [x, y])
    this.history = [];
  }

  get changed() {
    return this.left.size + this.moved.size > 0;
  }

  toggle(shot) {
    this.history.push({ shot, left: this.left.has(shot), moved: this.moved.get(shot) });
    if (!this.left.delete(shot)) this.left.add(shot);
  }

  // Returns "" or why the nozzle cannot stand there.
  move(shot, stop, place) {
    const why = this.refusal(shot, stop, place);
    if (why) return why;
    this.history.push({ shot, left: this.left.has(shot), moved: this.moved.get(shot) });
    const stops = new Map(this.moved.get(shot) ?? []);
    const home = this.data.plan.shots[shot].stops[stop];
    if (place[0] === home.x_mm && place[1] === home.y_mm) stops.delete(stop);
    else stops.set(stop, place);
    if (stops.size) this.moved.set(shot, stops);
    else this.moved.delete(shot);
    return "";
  }

  undo() {
    const last = this.history.pop();
    if (!last) return null;
    if (last.left) this.left.add(last.shot);
    else this.left.delete(last.shot);
    if (last.moved) this.moved.set(last.shot, last.moved);
    else this.moved.delete(last.shot);
    return last.shot;
  }

  refusal(shot, stop, [x, y]) {
    if (!Number.isFinite(x) || !Number.isFinite(y)) return "write two numbers in mm";
    const { printer } = this.data;
    const [x0, x1, y0, y1] = printer.bed_mm;
    const radius = Math.min(x1 - x0, y1 - y0) / 2;
    const inside = printer.round
      ? Math.hypot(x - (x0 + x1) / 2, y - (y0 + y1) / 2) <= radius
      : x >= x0 && x <= x1 && y >= y0 && y <= y1;
    if (!inside) return "that place is outside the bed";
    const stops = new Map(this.moved.get(shot) ?? []).set(stop, [x, y]);
    const edited = this.withStops(shot, stops);
    const travel = this.home(shot)[2] + edited.lift_mm;
    if (travel > printer.height_mm) return `the path needs the nozzle at ${travel.toFixed(1)} mm; the machine ends before`;
    const path = this.path(edited, this.home(shot));
    for (const box of printer.keep_outs) {
      const top = box.z_mm ?? Infinity;
      for (let k = 0; k + 1 < path.length; k++) {
        if (Math.min(path[k][2], path[k + 1][2]) <= top + 0.5 && crosses(box, path[k], path[k + 1])) {
          return "a keep-out is in the way";
        }
      }
    }
    return "";
  }

  home(shot) {
    return this.data.shots[shot].home_mm;
  }

  // The shot as it will be written: a moved stop is reached in straight lines above everything printed by then,
  // so no waypoint is needed. `inject --plan` proves it once more, moves and all.
  shot(index) {
    const moved = this.moved.get(index);
    return moved ? this.withStops(index, moved) : this.data.plan.shots[index];
  }

  withStops(index, moved) {
    const shot = this.data.plan.shots[index];
    const home = this.home(index);
    const clear = this.data.highest_mm[shot.layer - 1] + this.data.clearance_mm;
    const lift_mm = Math.max(shot.lift_mm, Math.ceil((clear - home[2]) * 1000) / 1000);
    const travel = home[2] + lift_mm;
    const atTravel = (stop) => Math.abs(stop.z_mm - home[2] - shot.lift_mm) < 2e-3;
    const stops = shot.stops.map((stop, k) => {
      const [x_mm, y_mm] = moved.get(k) ?? [stop.x_mm, stop.y_mm];
      const least = moved.has(k) ? Math.max(stop.z_mm, clear) : stop.z_mm;
      return { ...stop, x_mm, y_mm, z_mm: round3(atTravel(stop) ? travel : Math.min(least, travel)), via_mm: [] };
    });
    const edited = { ...shot, lift_mm, stops, back_mm: [] };
    const added = this.moving_s(this.path(edited, home)) - this.moving_s(this.path(shot, home));
    return { ...edited, cost_s: round3(Math.max(0, shot.cost_s + added)) };
  }

  // The points of a block's moves, as plan/cost lays them.
  path(shot, home) {
    const travel = home[2] + shot.lift_mm;
    const points = [home];
    let at = home;
    for (const stop of shot.stops) {
      points.push([at[0], at[1], travel]);
      for (const [x, y] of stop.via_mm ?? []) points.push([x, y, travel]);
      at = [stop.x_mm, stop.y_mm, stop.z_mm];
      points.push([at[0], at[1], travel], at);
    }
    points.push([at[0], at[1], travel]);
    for (const [x, y] of shot.back_mm ?? []) points.push([x, y, travel]);
    points.push([home[0], home[1], travel], home);
    return points;
  }

  // Seconds of straight moves from rest to rest (trapezoid); used for differences alone.
  moving_s(points) {
    const { travel_mm_s, travel_z_mm_s, accel_mm_s2, accel_z_mm_s2 } = this.data.printer;
    let total = 0;
    for (let k = 0; k + 1 < points.length; k++) {
      const [a, b] = [points[k], points[k + 1]];
      const level = Math.hypot(b[0] - a[0], b[1] - a[1]);
      const length = Math.hypot(level, b[2] - a[2]);
      if (length < 1e-9) continue;
      const [v, accel] = level < 1e-9 ? [travel_z_mm_s, accel_z_mm_s2] : [travel_mm_s, accel_mm_s2];
      total += length > (v * v) / accel ? length / v + v / accel : 2 * Math.sqrt(length / accel);
    }
    return total;
  }

  kept() {
    return this.data.plan.shots.map((_, k) => k).filter((k) => !this.left.has(k));
  }

  totals() {
    const kept = this.kept();
    const added_s = kept.reduce((sum, k) => sum + this.shot(k).cost_s, 0);
    const { seconds, fps } = this.data.film;
    return { shots: kept.length, added_s, film_s: seconds || kept.length / fps };
  }

  // The edited plan as plan.json; shots keep their numbers.
  plan() {
    const totals = this.totals();
    const note = `edited by hand: ${this.left.size} shots left out, ${this.moved.size} with moved stops`;
    return {
      ...this.data.plan,
      shots: this.kept().map((k) => this.shot(k)),
      cost_s: round3(totals.added_s),
      film_s: round3(totals.film_s),
      warnings: [...this.data.plan.warnings, note],
    };
  }
}

function crosses(box, a, b) {
  let enter = 0, leave = 1;
  for (const [axis, [low, high]] of [[0, box.x_mm], [1, box.y_mm]]) {
    const step = b[axis] - a[axis];
    if (Math.abs(step) < 1e-12) {
      if (a[axis] < low - 0.5 || a[axis] > high + 0.5) return false;
      continue;
    }
    const [p, q] = [(low - 0.5 - a[axis]) / step, (high + 0.5 - a[axis]) / step];
    enter = Math.max(enter, Math.min(p, q));
    leave = Math.min(leave, Math.max(p, q));
  }
  return enter <= leave;
}

const round3 = (value) => Math.round(value * 1000) / 1000;
