// One page: #/ the printers and jobs, #/printer/NAME what one printer says, #/job/CODE a job before, during, after.

const $ = (id) => document.getElementById(id);
const pause_ms = 1000;
let token = "";
let state = null, live = null, lines = null, lastHeard = 0, view = "";

async function ask(path, options = {}) {
  const headers = { ...(options.headers ?? {}), ...(token ? { Authorization: `Bearer ${token}` } : {}) };
  const reply = await fetch(path, { ...options, headers });
  if (reply.status === 401) {
    $("login").hidden = false;
    throw new Error("a token is needed");
  }
  if (!reply.ok) {
    const said = await reply.json().catch(() => ({}));
    throw new Error([said.error, said.hint].filter(Boolean).join("; ") || reply.statusText);
  }
  return reply;
}

// the token is shown once; a cookie that no other site can use stands in for it, also for pictures and films
async function login(given) {
  token = given;
  await post("/login").catch(() => {});
  token = "";
  await look();
}

const post = (path, body = {}) =>
  ask(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });

function made(tag, content = "", attributes = {}) {
  const element = document.createElement(tag);
  for (const child of [content].flat()) element.append(child);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== undefined) element.setAttribute(name, value);
  }
  return element;
}

const clock = (seconds) => {
  const whole = Math.round(seconds / 60);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")} h`;
};
const size = (bytes) => (bytes > 1e6 ? `${(bytes / 1e6).toFixed(1)} MB` : `${Math.ceil(bytes / 1e3)} kB`);

// -- the answer in two seconds: waiting, layer 1 is sound, look here, trouble

function answerOf(printers) {
  const troubled = printers.find((one) => one.trouble || one.capture?.troubles.length);
  if (troubled) {
    const words = troubled.trouble || troubled.capture.troubles[0].text;
    return { kind: "trouble", text: "Trouble", more: `${troubled.name}: ${words}` };
  }
  const printing = printers.filter((one) => one.capture);
  if (!printing.length) {
    const silent = printers.flatMap((one) => Object.entries(one.channels).filter(([, fault]) => fault).map(([name, fault]) => `${one.name}, ${name}: ${fault}`));
    if (printers.length && silent.length) return { kind: "trouble", text: "A printer cannot be heard", more: silent[0] };
    return { kind: "", text: "Waiting", more: printers.length ? "No print is going on." : "No printer is set up yet: put printers/NAME/rig.toml into the folder." };
  }
  const looks = printing.flatMap((one) => one.capture.looks.map((look) => ({ ...look, printer: one.name })));
  const found = looks.find((look) => look.state === "found");
  if (found) return { kind: "trouble", text: "Look here", more: `${found.printer}, layer ${found.layer}: ${found.words}` };
  const sound = looks.find((look) => look.layer === 1 && look.state === "sound");
  const { capture, name } = printing[0];
  const more = `${name}: shot ${capture.done} of ${capture.shots}${capture.next ? `, next at layer ${capture.next.layer}` : ""}`;
  return sound ? { kind: "sound", text: "Layer 1 is sound", more } : { kind: "", text: "Printing", more };
}

function showAnswer() {
  const answer = answerOf(state.printers);
  $("answer").textContent = answer.text;
  $("answer").className = answer.kind;
  $("answer-more").textContent = answer.more;
  document.title = `${answer.text} - twinlapse`;
  $("room").textContent = `${(state.free_mb / 1000).toFixed(1)} GB free${state.would_go.length ? `; to make room, jobs ${state.would_go.join(", ")} would go first` : ""}${state.working.length ? `. Working: ${state.working.join(", ")}` : ""}`;
}

// -- the overview

const STATES = {
  planning: "being planned and proven", ready: "ready to print", printing: "printing", filming: "the film is being made",
  done: "done", failed: "failed",
};

function overview() {
  const printers = state.printers.map((printer) => {
    const faults = Object.entries(printer.channels);
    return made("article", [
      made("h2", made("a", printer.name, { href: `#/printer/${printer.name}` })),
      made("p", printer.capture ? made("a", `printing job ${printer.code}`, { href: `#/job/${printer.code}` }) : "waits for a print"),
      ...(printer.trouble ? [made("p", printer.trouble)] : []),
      made("ul", faults.map(([name, fault]) => made("li", `${name}: ${fault || "heard"}`)), { class: "plain faint" }),
      upload(printer.name),
    ], { class: printer.trouble ? "bad" : "" });
  });
  const jobs = state.jobs.map((job) =>
    made("li", [made("a", job.name, { href: `#/job/${job.code}` }), ` ${job.code}, ${STATES[job.state]}${job.why ? `: ${job.why}` : ""}`])
  );
  return [
    made("h1", "Printers"),
    made("p", said, { id: "said", role: "status" }),
    made("div", printers, { class: "cards" }),
    made("section", [made("h2", "Jobs"), jobs.length ? made("ul", jobs) : made("p", "None yet: drop a sliced file on a printer.")]),
  ];
}

function upload(printer) {
  const input = made("input", "", { type: "file", accept: ".gcode,.gco,.g", id: `file-${printer}`, hidden: true, "aria-label": `Sliced file for ${printer}`, onchange: (event) => event.target.files[0] && send(printer, event.target.files[0]) });
  const box = made("div", [
    made("button", "Add a sliced file", { type: "button", onclick: () => input.click() }),
    made("p", "or drop it here", { class: "faint" }),
    input,
  ], {
    class: "drop",
    ondragover: (event) => (event.preventDefault(), box.classList.add("over")),
    ondragleave: () => box.classList.remove("over"),
    ondrop: (event) => {
      event.preventDefault();
      box.classList.remove("over");
      if (event.dataTransfer.files[0]) send(printer, event.dataTransfer.files[0]);
    },
  });
  return box;
}

// XMLHttpRequest tells how much has gone out; fetch does not
function send(printer, file) {
  const request = new XMLHttpRequest();
  request.open("POST", `/printers/${printer}/files?name=${encodeURIComponent(file.name)}`);
  request.setRequestHeader("Content-Type", "application/octet-stream");
  if (token) request.setRequestHeader("Authorization", `Bearer ${token}`);
  request.upload.onprogress = (event) => say(`Sending ${file.name}: ${Math.round((100 * event.loaded) / Math.max(event.total, 1))} %`);
  request.onload = () => {
    const said = JSON.parse(request.responseText || "{}");
    if (request.status === 202) {
      say(`${file.name} is being planned.`);
      location.hash = `#/job/${said.code}`;
    } else say(`Not taken: ${[said.error, said.hint].filter(Boolean).join("; ")}`);
  };
  request.onerror = () => say("The file did not get through.");
  request.send(file);
}

let said = "";
function say(text) {
  said = text;
  const place = document.querySelector("#said");
  if (place) place.textContent = text;
}

async function act(code, what, body = {}, confirm_ = "") {
  if (confirm_ && !confirm(confirm_)) return;
  try {
    const reply = await (await post(`/jobs/${code}/${what}`, body)).json();
    say(reply.said || { render: "The film is being made.", end: "The print counts as over.", delete: "Deleted." }[what] || "Done.");
    if (what === "delete") location.hash = "#/";
  } catch (error) {
    say(error.message);
  }
}

// -- one job, before, during and after its print

function jobPage(code) {
  const job = state.jobs.find((one) => one.code === code);
  if (!job) return [made("section", [made("h1", "There is no such job"), made("a", "All jobs", { href: "#/" })])];
  const head = made("section", [
    made("p", made("a", "All printers and jobs", { href: "#/" })),
    made("h1", job.name),
    made("p", `Job ${job.code} for ${job.printer}: ${STATES[job.state]}`),
    ...(job.why ? [made("p", job.why)] : []),
    made("p", said, { id: "said", role: "status" }),
  ], { class: job.state === "failed" || job.why ? "bad" : "" });
  if (job.state === "printing" && live) return [head, ...during(job)];
  const plan = job.state === "planning" || job.state === "failed" ? [] : [before(job)];
  return job.files["film.mp4"] ? [head, ...after(job), ...plan] : [head, ...plan, ...after(job)];
}

function before(job) {
  const share = (100 * job.added_s) / Math.max(job.print_s, 1);
  const link = (name, text, more = {}) => job.files[name] ? [made("a", `${text} (${size(job.files[name])})`, { class: "button", href: `/jobs/${job.code}/files/${name}`, ...more })] : [];
  return made("section", [
    made("h2", "The plan"),
    made("p", `${job.shots} shots in ${job.layers} layers add ${(job.added_s / 60).toFixed(1)} min, ${share.toFixed(1)} % of ${clock(job.print_s)}.`, { id: "added" }),
    made("h3", "Before you print"),
    made("ul", ["Bed clear of parts, tools and clips that the rig does not name.", "Cameras fastened, cables clear of all moving parts.", "A dry run, with a hand on the stop, if rig or cameras have changed.", "Stay with the printer."].map((text) => made("li", text))),
    made("div", [
      made("button", "Send to the printer", { type: "button", class: "main", onclick: () => act(job.code, "send") }),
      ...link("filmed.gcode", "Download the file", { download: true }),
      ...link("plan.html", "Look at the plan"),
    ], { class: "buttons" }),
  ]);
}

function during(job) {
  const views = Object.entries(live.cameras).map(([name, camera]) => {
    const stale = camera.state !== "live";
    return made("figure", [
      ...(camera.last === null ? [made("p", "No frame yet.")] : [made("img", "", { src: `/jobs/${job.code}/cameras/${name}/last.jpg?${camera.last}`, alt: `Last frame of ${name}` })]),
      made("figcaption", `${name}: ${camera.taken} taken, ${camera.missed} missed${stale ? `; ${camera.state}: ${camera.fault}` : ""}`),
    ]);
  });
  const looks = live.looks.map((look) =>
    made("li", [`Layer ${look.layer}: ${look.state}${look.words ? `, ${look.words}` : ""}`, ...(look.state === "sound" || look.state === "found" ? [made("img", "", { src: `/jobs/${job.code}/layers/${look.layer}.png`, alt: `Map of layer ${look.layer}` })] : [])])
  );
  const left_s = job.print_s + job.added_s;
  return [
    made("section", [
      made("h2", "Now"),
      made("p", [`${live.done}`, made("span", ` of ${live.shots} shots`, { class: "faint" })], { class: "figure" }),
      made("progress", "", { max: live.shots, value: live.done, "aria-label": "Shots taken" }),
      made("p", live.next ? `Next: shot ${live.next.shot} after layer ${live.next.layer}${live.due_in_s === null ? "" : `, in about ${Math.round(live.due_in_s)} s`}` : "All shots are taken."),
      made("p", `The print takes ${clock(left_s)} in all.`, { class: "faint" }),
      made("ul", live.troubles.map((trouble) => made("li", trouble.text))),
    ]),
    made("section", [made("h2", "What the cameras saw last"), made("div", views, { class: "views" })]),
    ...(looks.length ? [made("section", [made("h2", "First layers"), made("ul", looks, { class: "plain" })])] : []),
    made("section", [
      made("div", [
        ...(live.lights.count ? [made("button", live.lights.on ? "Lights on for 5 minutes more" : "Lights on for 5 minutes", { type: "button", onclick: () => act(job.code, "light", { minutes: 5 }) })] : []),
        made("button", "This print is over", { type: "button", onclick: () => act(job.code, "end", {}, "Switch cameras and lamps off, and make the film of what is there?") }),
      ], { class: "buttons" }),
    ]),
  ];
}

function after(job) {
  if (!job.files["film.mp4"] && !job.printed_s) return [];
  const choice = made("select", ["inset", "side", "stack", "near-far"].map((name) => made("option", name, { value: name })), { id: "layout", "aria-label": "Layout of the film" });
  return [
    made("section", [
      made("h2", "The film"),
      ...(job.files["film.mp4"] ? [made("video", "", { src: `/jobs/${job.code}/files/film.mp4`, controls: true, playsinline: true, poster: job.files["poster.jpg"] ? `/jobs/${job.code}/files/poster.jpg` : undefined, "aria-label": "The film" })] : [made("p", job.state === "filming" ? "It is being made." : "There is none yet.")]),
      made("div", [
        ...(job.files["film.mp4"] ? [made("a", `Download (${size(job.files["film.mp4"])})`, { class: "button main", href: `/jobs/${job.code}/files/film.mp4`, download: true })] : []),
        choice,
        made("button", "Make it in this layout", { type: "button", disabled: job.state === "filming", onclick: () => act(job.code, "render", { layout: choice.value }) }),
        made("button", "Delete this job", { type: "button", onclick: () => act(job.code, "delete", {}, `Delete ${job.name} with all its frames?`) }),
      ], { class: "buttons" }),
    ]),
  ];
}

// -- what a printer says

function printerPage(name) {
  const printer = state.printers.find((one) => one.name === name);
  if (!printer) return [made("section", [made("h1", "There is no such printer"), made("a", "All printers", { href: "#/" })])];
  const heard = (lines?.lines ?? []).slice(-60).reverse().map((line) =>
    made("li", [line.meaning ? made("b", `${line.meaning} `) : "", `${line.channel}: ${line.text}`])
  );
  return [
    made("section", [
      made("p", made("a", "All printers and jobs", { href: "#/" })),
      made("h1", printer.name),
      made("ul", Object.entries(printer.channels).map(([channel, fault]) => made("li", `${channel}: ${fault || "heard"}`))),
      ...(Object.keys(printer.channels).length ? [] : [made("p", "No channel is set: name serial, log, klipper_socket or reprapfirmware in [capture] of its rig, or post lines to /line.")]),
    ]),
    made("section", [
      made("h2", "What it says"),
      made("p", "Send M118 twinlapse begin 000000 from the printer's console: it must appear here."),
      made("ul", heard.length ? heard : [made("li", "Nothing yet.")], { class: "heard plain", tabindex: 0, role: "region", "aria-label": "Lines of the printer" }),
    ]),
  ];
}

// -- drawing: only what has changed is put into the page again, so that a film goes on playing

let drawn = "";
function draw() {
  if (!state) return;
  showAnswer();
  const [, what, which] = location.hash.split("/");
  view = what ?? "";
  const key = JSON.stringify([location.hash, what === "job" ? [state.jobs.find((job) => job.code === which), live] : what === "printer" ? [state.printers.find((one) => one.name === which)?.channels, lines] : [state.printers.map((one) => [one.name, one.code, one.trouble, one.channels]), state.jobs]]);
  if (key === drawn) return;
  const playing = document.querySelector("video");
  if (playing && !playing.paused) return;
  drawn = key;
  const focused = document.activeElement?.textContent;
  $("content").replaceChildren(...(what === "job" ? jobPage(which) : what === "printer" ? printerPage(which) : overview()));
  if (focused) [...document.querySelectorAll("#content button, #content a")].find((one) => one.textContent === focused)?.focus();
}

async function look() {
  try {
    state = await (await ask("/state")).json();
    const [, what, which] = location.hash.split("/");
    const printing = what === "job" && state.jobs.some((job) => job.code === which && job.state === "printing");
    live = printing ? await (await ask(`/jobs/${which}/status`)).json().catch(() => null) : null;
    lines = what === "printer" ? await (await ask(`/printers/${which}/lines`)).json() : null;
    lastHeard = Date.now();
    $("login").hidden = true;
    $("lost").hidden = true;
    document.body.classList.remove("stale");
    draw();
  } catch (error) {
    const ago = Math.round((Date.now() - lastHeard) / 1000);
    if (!$("login").hidden) return;
    $("lost").hidden = false;
    $("lost").textContent = lastHeard ? `The service does not answer: what you see is ${ago} s old.` : `The service does not answer: ${error.message}`;
    document.body.classList.add("stale");
    $("answer").textContent = "No answer";
    $("answer").className = "trouble";
    document.title = "No answer - twinlapse";
  }
}

$("login").addEventListener("submit", (event) => {
  event.preventDefault();
  login($("token").value.trim());
});
window.addEventListener("hashchange", () => (say(""), look()));
const given = new URLSearchParams(location.hash.split("?")[1] ?? "").get("token");
if (given) {
  history.replaceState(null, "", "/#/");
  await login(given);
}
(async function go() {
  await look();
  setTimeout(go, document.hidden ? 5 * pause_ms : pause_ms);
})();
