// The page put together: one state (layer, shot, edits), and every part drawn from it.

const $ = (id) => document.getElementById(id);
let styles = null;
const colour = (name) => styles.getPropertyValue(name).trim();

function rgbaOf(hex) {
  const value = parseInt(hex.slice(1), 16);
  return (255 << 24) | ((value & 255) << 16) | (value & 0xff00) | (value >> 16); // little endian: A B G R
}

async function start() {
  const data = await unpack($("data").textContent);
  styles = getComputedStyle(document.documentElement);
  const edits = new Edits(data);
  const bed = new Bed($("bed"), data);
  const timeline = new Timeline($("timeline"), data);
  const views = data.cameras.map((camera) => makeView(camera));
  const state = { layer: 0, shot: data.plan.shots.length ? 0 : -1, sorted: { column: 0, up: true }, picking: null };
  const layers = data.layer_z_mm.length;
  let due = false;

  const redraw = () => {
    if (due) return;
    due = true;
    requestAnimationFrame(() => {
      due = false;
      drawAll();
    });
  };

  function drawAll() {
    bed.draw(state.layer, state.shot, edits);
    timeline.draw(state.shot, state.layer, edits);
    for (const view of views) drawView(view);
  }

  function drawView({ camera, canvas, caption }) {
    const shot = state.shot >= 0 ? edits.shot(state.shot) : null;
    const stop = shot?.stops.find((other) => other.cameras.includes(camera.name));
    caption.textContent = stop
      ? `${camera.name}: stop at X${stop.x_mm.toFixed(1)} Y${stop.y_mm.toFixed(1)} Z${stop.z_mm.toFixed(1)}`
      : `${camera.name}: not in this shot`;
    canvas.classList.toggle("none", !stop);
    canvas.setAttribute("aria-label", `What ${camera.name} will see, as lines: the print up to layer ${state.layer + 1}, the bed's grid and the toolhead`);
    if (stop) drawCameraView(canvas, data, camera, state.layer, [stop.x_mm, stop.y_mm, stop.z_mm]);
  }

  function makeView(camera) {
    const figure = element("figure");
    const canvas = element("canvas", "", { role: "img" });
    const caption = element("figcaption");
    caption.style.borderColor = camera.colour;
    figure.append(canvas, caption);
    $("views").append(figure);
    return { camera, canvas, caption };
  }

  function choose(index) {
    if (!data.plan.shots.length) return;
    state.shot = Math.max(0, Math.min(data.plan.shots.length - 1, index));
    state.picking = null;
    setLayer(data.plan.shots[state.shot].layer - 1, false);
    showShot();
    redraw();
  }

  function setLayer(layer, alone = true) {
    state.layer = Math.max(0, Math.min(layers - 1, layer));
    if (alone) {
      const found = data.plan.shots.findIndex((shot) => shot.layer === state.layer + 1);
      state.shot = found;
      showShot();
    }
    $("layer").value = state.layer + 1;
    const object = data.layer_object[state.layer];
    $("layer-text").textContent = `Layer ${state.layer + 1} of ${layers}, Z ${data.layer_z_mm[state.layer].toFixed(2)} mm, ${clock(data.layer_end_s[state.layer])}${object ? `, ${object}` : ""}`;
    redraw();
  }

  function showShot() {
    const on = state.shot >= 0;
    $("shot-title").textContent = on ? `Shot ${data.plan.shots[state.shot].number} of ${data.plan.shots.length}` : "No shot after this layer";
    $("shot-lines").replaceChildren(...(on ? shotLines(data, edits, state.shot).map((text) => element("p", text)) : []));
    $("leave").hidden = !on;
    $("leave").textContent = on && edits.left.has(state.shot) ? "Put this shot back" : "Leave this shot out";
    $("stops").replaceChildren(...(on ? edits.shot(state.shot).stops.map(stopForm) : []));
    $("bed").setAttribute("aria-label", `The bed from above at layer ${state.layer + 1}: ${on ? shotLines(data, edits, state.shot)[0] : "no shot here"}`);
    showTotals();
  }

  function stopForm(stop, k) {
    const form = element("form", "", { class: "stop" });
    form.append(element("span", `${k + 1} ${stop.cameras.join(" + ")} (${stop.stance}), ${stop.dwell_s} s`));
    const inputs = ["x_mm", "y_mm"].map((axis) => {
      const name = axis[0].toUpperCase();
      const frame = element("label", name);
      const input = element("input", "", { type: "number", step: "0.1", value: stop[axis], "aria-label": `${name} of stop ${k + 1}, mm` });
      frame.append(input);
      form.append(frame);
      return input;
    });
    const set = element("button", "Move", { type: "submit" });
    const pick = element("button", "Pick on the bed", { type: "button", "aria-pressed": String(state.picking === k) });
    pick.addEventListener("click", () => {
      state.picking = state.picking === k ? null : k;
      $("said").textContent = state.picking === k ? `Click the bed where stop ${k + 1} shall be.` : "";
      showShot();
    });
    form.append(set, pick);
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      move(k, inputs.map((input) => input.valueAsNumber));
    });
    return form;
  }

  function move(stop, place) {
    const why = edits.move(state.shot, stop, place.map(round3));
    $("said").textContent = why ? `Not moved: ${why}.` : `Stop ${stop + 1} moved. 'twinlapse inject --plan' proves the edited plan before it is written.`;
    state.picking = null;
    changed();
  }

  function leave() {
    if (state.shot < 0) return;
    edits.toggle(state.shot);
    $("said").textContent = edits.left.has(state.shot) ? "Shot left out." : "Shot put back.";
    changed();
  }

  function changed() {
    showShot();
    if ($("all").open) table();
    redraw();
  }

  function showTotals() {
    const now = edits.totals(), before = data.plan;
    const share = (100 * now.added_s) / Math.max(before.print_s, 1e-9);
    $("totals").textContent = `${now.shots} shots in ${layers} layers. Print ${clock(before.print_s)}, added ${clock(now.added_s)} (${share.toFixed(1)} %). Film ${now.film_s.toFixed(1)} s.`;
    $("save").disabled = !edits.changed;
    $("undo").disabled = !edits.history.length;
    document.body.classList.toggle("edited", edits.changed);
  }

  async function save() {
    const text = JSON.stringify(edits.plan(), null, 1) + "\n";
    const answer = await deliver(text);
    $("said").textContent = answer;
  }

  // In a plain file the plan is downloaded; a service that shows this page may take it directly.
  async function deliver(text) {
    const where = document.documentElement.dataset.save;
    if (where) {
      const reply = await fetch(where, { method: "POST", headers: { "Content-Type": "application/json" }, body: text });
      return reply.ok ? "The edited plan is being written and proven; see the job's page." : `The edited plan was not saved: ${await reply.text()}`;
    }
    const link = element("a", "", { href: URL.createObjectURL(new Blob([text], { type: "application/json" })), download: "plan.json" });
    link.click();
    return "The edited plan is in your downloads as plan.json: write it with 'twinlapse inject FILE --plan plan.json'.";
  }

  function table() {
    fillTable($("table"), data, edits, state.sorted, choose, (column) => {
      state.sorted = { column, up: state.sorted.column === column ? !state.sorted.up : true };
      table();
    });
  }

  $("layer").max = layers;
  $("layer").addEventListener("input", (event) => setLayer(event.target.valueAsNumber - 1));
  $("back").addEventListener("click", () => choose(state.shot - 1));
  $("next").addEventListener("click", () => choose(state.shot + 1));
  $("leave").addEventListener("click", leave);
  $("undo").addEventListener("click", () => {
    const shot = edits.undo();
    if (shot !== null) choose(shot);
    changed();
  });
  $("save").addEventListener("click", save);
  $("nearer").addEventListener("click", () => (bed.zoom(1.4), redraw()));
  $("farther").addEventListener("click", () => (bed.zoom(1 / 1.4), redraw()));
  $("fit-print").addEventListener("click", () => (bed.fit(data.print_box_mm, 0.14), redraw()));
  $("fit-bed").addEventListener("click", () => (bed.fit(data.printer.bed_mm), redraw()));
  $("all").addEventListener("toggle", () => $("all").open && table());
  bed.onChange = redraw;
  bed.onClick = (place) => state.picking !== null && move(state.picking, place);
  timeline.onPick = choose;
  window.addEventListener("resize", redraw);
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    bed.printedLayer = -1;
    redraw();
  });
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || event.target.matches("input, summary")) return;
    const acts = {
      ArrowRight: () => choose(state.shot + 1),
      ArrowLeft: () => choose(state.shot - 1),
      PageUp: () => setLayer(state.layer + 1),
      PageDown: () => setLayer(state.layer - 1),
      Home: () => choose(0),
      End: () => choose(data.plan.shots.length - 1),
      Delete: leave,
      "+": () => (bed.zoom(1.4), redraw()),
      "-": () => (bed.zoom(1 / 1.4), redraw()),
      0: () => (bed.fit(data.print_box_mm, 0.14), redraw()),
    };
    const act = acts[event.key];
    if (!act) return;
    event.preventDefault();
    act();
  });

  const legend = data.cameras.map((camera) => {
    const item = element("li", `${camera.name}, ${camera.stance}`);
    item.style.setProperty("--own", camera.colour);
    return item;
  });
  $("legend").replaceChildren(...legend);
  $("warnings").replaceChildren(...data.plan.warnings.map((text) => element("li", text)));
  $("warnings-box").hidden = !data.plan.warnings.length;
  fillLeftOut($("left-out"), data);
  $("left-out-box").hidden = !data.left_out.length;
  const asked = data.plan.shots.findIndex((shot) => `#${shot.number}` === location.hash);
  if (state.shot >= 0) choose(Math.max(asked, 0));
  else setLayer(0);
  document.body.classList.add("ready");
  window.twinlapse = { data, edits, bed, state, choose, setLayer, drawAll, poseAt, projected };
}

start().catch((error) => {
  $("totals").textContent = `This page could not be opened: ${error.message}. A browser of 2023 or newer is needed.`;
});
