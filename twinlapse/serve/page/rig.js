// Setting up a rig: the cameras of the board, the live picture with what it should show, every check.

import { TokenNeeded, ask, asked, post } from "./asking.js";
import { made } from "./nodes.js";
import { back, button, saidLine } from "./words.js";

const LOOK_MS = 1500; // the service closes the cameras some seconds after the last look
const PICTURE_MS = 400; // at most so often a picture
const SVG_WIDE = { volume: 1.5, grid: 1, outline: 3, horizon: 2 };

// what the page knows of one rig, and how long somebody looks
export class RigWatch {
  constructor(app, printer) {
    this.app = app;
    this.printer = printer;
    this.report = null;
    this.cameras = null; // of this board
    this.health = null;
    this.light = null; // true keeps the lamps on, false puts them out once
    this.lines = true;
    this.fault = "";
    this.given = {}; // name of a camera: width and height of its upright picture
    this.ended = false;
    this.fetchReport();
    this.keepLooking();
  }

  end() {
    this.ended = true;
  }

  get isLit() {
    return this.light ?? Boolean(this.health?.lights.on);
  }

  get path() {
    return `/rigs/${encodeURIComponent(this.printer)}`;
  }

  async fetchReport() {
    try {
      this.report = await asked(`${this.path}/report`);
    } catch (error) {
      this.fault = error.message;
    }
    this.app.redraw();
  }

  async fetchCameras() {
    try {
      this.cameras = await asked("/cameras");
    } catch (error) {
      this.app.say(error.message);
    }
    this.app.redraw();
  }

  async keepLooking() {
    while (!this.ended) {
      if (!document.hidden) {
        try {
          const asked_ = this.light; // null leaves the lamps to others who look
          this.health = await post(`${this.path}/look`, asked_ === null ? {} : { light: asked_ });
          if (asked_ === false && this.light === false) this.light = null;
          this.fault = "";
        } catch (error) {
          if (error instanceof TokenNeeded) return;
          this.health = null;
          this.fault = error.message;
        }
        if (!this.ended) this.app.redraw();
      }
      await new Promise((done) => setTimeout(done, LOOK_MS));
    }
  }

  // draws pictures into a canvas, upright, for as long as the canvas is on the page
  async show(canvas, camera) {
    for (;;) {
      const began = performance.now();
      if (!document.hidden && (this.health?.cameras[camera.name]?.state ?? "gone") !== "gone") {
        try {
          const bitmap = await createImageBitmap(await (await ask(`${this.path}/cameras/${camera.name}.jpg`)).blob());
          drawUpright(canvas, bitmap, camera);
          this.given[camera.name] = [canvas.width, canvas.height];
          bitmap.close();
          canvas.dataset.drawn = String(Number(canvas.dataset.drawn ?? 0) + 1);
        } catch {
          // the state of the camera says why
        }
      }
      await new Promise((done) => setTimeout(done, Math.max(50, PICTURE_MS - (performance.now() - began))));
      if (this.ended || !canvas.isConnected) return;
    }
  }
}

function drawUpright(canvas, bitmap, camera) {
  const turned = camera.rotate_deg % 180 !== 0;
  const [width, height] = turned ? [bitmap.height, bitmap.width] : [bitmap.width, bitmap.height];
  if (canvas.width !== width || canvas.height !== height) [canvas.width, canvas.height] = [width, height];
  const pen = canvas.getContext("2d");
  pen.setTransform(1, 0, 0, 1, width / 2, height / 2);
  pen.rotate((camera.rotate_deg * Math.PI) / 180);
  if (camera.mirror) pen.scale(-1, 1);
  pen.drawImage(bitmap, -bitmap.width / 2, -bitmap.height / 2);
}

export function rigPage(app, name) {
  const printer = app.state.printers.find((one) => one.name === name);
  if (!printer) return [made("section", {}, [made("h1", {}, "There is no such printer"), back()])];
  const watch = app.rigWatch(name);
  const { report, health } = watch;
  return [
    made("section", { key: "head", class: report?.error || watch.fault ? "bad" : "" }, [
      back(),
      made("h1", {}, `Cameras of ${name}`),
      saidLine(app),
      watch.fault && made("p", { class: "fault" }, watch.fault),
      report?.error && made("p", { class: "fault" }, `The rig file has a fault: ${report.error}. ${report.hint}.`),
      report?.untrusted && made("div", {}, [
        made("p", { class: "fault" }, "These commands of the rig are not run, nobody has trusted them:"),
        made("pre", { tabindex: 0, role: "region", "aria-label": "Commands" }, report.untrusted),
        made("p", {}, ["If they are yours, on the board: ", made("code", {}, `twinlapse trust ${report.file}`)]),
      ]),
      made("div", { class: "buttons" }, [
        health?.lights.count > 0 && button(app, watch.isLit ? "Light off" : "Light on", () => {
          watch.light = !watch.isLit;
          app.redraw();
        }),
        report?.cameras && button(app, watch.lines ? "Hide the lines" : "Show the lines", () => {
          watch.lines = !watch.lines;
          app.redraw();
        }),
      ]),
      health?.lights.fault && made("p", { class: "fault" }, `The light does not switch: ${health.lights.fault}`),
      made("p", { class: "faint" }, health?.printing ? "A print is going on: these are its cameras." : "Cameras and supplies are on while this page is open, and off ten seconds later."),
    ]),
    ...(report?.cameras ?? []).map((camera) => cameraPart(watch, camera, report.findings)),
    report?.findings && others(report),
    board(app, watch, report),
  ].filter(Boolean);
}

function cameraPart(watch, camera, findings) {
  const health = watch.health?.cameras[camera.name];
  const [width, height] = camera.size_px;
  const state = !watch.health ? "opening" : !health ? "not used by this print" : health.state === "live" ? `live, ${health.fps} pictures a second` : `${health.state}${health.fault ? `: ${health.fault}` : ""}`;
  return made("section", { key: `camera-${camera.name}` }, [
    made("h2", {}, camera.name),
    made("p", { class: health && health.state !== "live" ? "fault" : "faint" }, state),
    made("div", { class: `live ${health?.state === "live" ? "" : "old"}`, style: { aspectRatio: `${width} / ${height}` } }, [
      made("canvas", { key: "canvas", own: true, role: "img", "aria-label": `Live picture of ${camera.name}`, begin: (canvas) => watch.show(canvas, camera) }),
      watch.lines && overlay(camera),
    ]),
    shapeFault(camera, watch.given[camera.name]),
    legend(camera),
    checks(findings.filter((finding) => finding.camera === camera.name)),
  ]);
}

// lines over a picture of another shape than the rig says would lie
function shapeFault(camera, given) {
  const [width, height] = camera.size_px;
  if (!given || Math.abs(given[0] / given[1] - width / height) < 0.01) return null;
  return made("p", { class: "fault" }, `The picture has ${given.join(" x ")} pixels, the rig says ${width} x ${height}: the lines are wrong until width_px and height_px of its lens are as the camera gives them.`);
}

// texts of an attribute, so that the document is touched only when the rig has changed
function overlay(camera) {
  const [width, height] = camera.size_px;
  const unit = width / 640;
  const path = (kind) => camera.lines.filter((line) => line.kind === kind).map((line) => `M${line.points.map((point) => point.map((value) => value + 0.5).join(" ")).join("L")}`).join("");
  const [x, y] = (camera.tip_px ?? [0, 0]).map((value) => value + 0.5);
  const arm = 14 * unit;
  return made("svg", { key: "lines", viewBox: `0 0 ${width} ${height}`, preserveAspectRatio: "xMinYMin meet", "aria-hidden": "true" }, [
    ...Object.keys(SVG_WIDE).map((kind) => made("path", { key: kind, class: kind, d: path(kind), "stroke-width": SVG_WIDE[kind] * unit })),
    camera.tip_px && made("path", { key: "tip", class: "tip", "stroke-width": 2 * unit, d: `M${x - 2 * arm} ${y}H${x + 2 * arm}M${x} ${y - 2 * arm}V${y + 2 * arm}M${x - arm} ${y}a${arm} ${arm} 0 1 0 ${2 * arm} 0a${arm} ${arm} 0 1 0 ${-2 * arm} 0` }),
  ]);
}

function legend(camera) {
  const [x, y, z] = camera.nozzle_mm;
  return made("ul", { class: "plain legend" }, [
    made("li", {}, [made("span", { class: "swatch tip" }), camera.tip_px ? `nozzle tip, when it stands at X${x} Y${y} Z${z}` : `the nozzle tip at X${x} Y${y} Z${z} is outside of the picture`]),
    made("li", {}, [made("span", { class: "swatch outline" }), camera.step_mm === 10 ? "the layer around the tip, lines every 10 mm" : "edge of the bed, lines every 50 mm"]),
    camera.lines.some((line) => line.kind === "volume") && made("li", {}, [made("span", { class: "swatch volume" }), "edges of the build volume"]),
    camera.lines.some((line) => line.kind === "horizon") && made("li", {}, [made("span", { class: "swatch horizon" }), "horizon"]),
  ]);
}

const MARKS = { true: ["ok", "good"], false: ["mend", "fault"], null: ["note", "faint"] };

function checks(findings) {
  const order = (finding) => (finding.holds === false ? 0 : finding.holds ? 1 : 2);
  return made("ul", { class: "plain findings" }, [...findings].sort((a, b) => order(a) - order(b)).map((finding) => {
    const [mark, kind] = MARKS[String(finding.holds)];
    return made("li", { key: finding.name + finding.text }, [made("b", { class: `mark ${kind}` }, mark), made("span", {}, [finding.text, finding.hint && made("span", { class: "hint" }, `To do: ${finding.hint}.`)])]);
  }));
}

function others(report) {
  const named = new Set(report.cameras.map((camera) => camera.name));
  const rest = report.findings.filter((finding) => !named.has(finding.camera));
  return rest.length > 0 && made("section", { key: "others" }, [made("h2", {}, "The rig as a whole"), checks(rest)]);
}

function board(app, watch, report) {
  const { cameras } = watch;
  return made("section", { key: "board" }, [
    made("h2", {}, "Cameras of this board"),
    made("div", { class: "buttons" }, button(app, cameras ? "Look again" : "List the cameras", () => watch.fetchCameras())),
    cameras && made("div", { role: "status" }, [
      cameras.cameras.length === 0 && made("p", {}, "No USB camera was found: is it plugged in, and is the service's user in the group “video”?"),
      ...cameras.faults.map((fault) => made("p", { class: "fault" }, fault)),
      ...cameras.cameras.map((camera) => made("div", { key: camera.path }, [
        made("h3", {}, camera.name),
        made("p", {}, made("code", {}, camera.path)),
        camera.held_by.length > 0 && made("p", { class: "faint" }, `in use by ${camera.held_by.join(", ")}`),
        made("details", {}, [
          made("summary", {}, "What to write into the rig file"),
          made("pre", { tabindex: 0, role: "region", "aria-label": `Section of the rig file for ${camera.name}` }, camera.section),
        ]),
      ])),
    ]),
    report?.file && made("p", { class: "faint" }, ["The rig file is ", made("code", {}, report.file), ". It is read again for each print and each time this page is opened."]),
  ]);
}
