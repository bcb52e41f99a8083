// One job: before, during and after its print.

import { ofLayers } from "./answer.js";
import { film } from "./film.js";
import { made } from "./nodes.js";
import { STATES, at, back, button, fileLink, lasts, saidLine } from "./words.js";

export function jobPage(app, code) {
  const job = app.state.jobs.find((one) => one.code === code);
  if (!job) return [made("section", {}, [made("h1", {}, "There is no such job"), saidLine(app), back()])];
  const printing = job.state === "printing" && app.live;
  const planned = job.state !== "planning" && job.state !== "failed";
  const parts = printing ? during(app, job) : [
    ...(job.printed_s || job.files["film.mp4"] ? film(app, job) : []),
    planned && before(app, job),
    made("section", { key: "delete" }, made("div", { class: "buttons" },
      button(app, "Delete this job", () => app.act(job, "delete", {}, `Delete ${job.name} with all its frames and its film?`, "Delete"),
        { class: "risky", disabled: ["planning", "filming", "printing"].includes(job.state) }))),
  ];
  return [head(app, job), ...parts.filter(Boolean)];
}

function head(app, job) {
  return made("section", { key: "head", class: job.state === "failed" || job.why ? "bad" : "" }, [
    back(),
    made("h1", {}, job.name),
    made("p", {}, ["Job ", made("code", {}, job.code), " for ", made("a", { href: `#/printer/${job.printer}` }, job.printer), `: ${STATES[job.state]}`]),
    job.why && made("p", { class: "fault" }, job.why),
    saidLine(app),
  ]);
}

const CHECKS = [
  "The bed is clear of parts, tools and clips that the rig does not name.",
  "Cameras are fastened; cables are clear of all that moves.",
  "After any change of rig or cameras: a dry run, with a hand on the stop.",
  "Somebody stays with the printer.",
];

function before(app, job) {
  const share = (100 * job.added_s) / Math.max(job.print_s, 1);
  const shots = `${job.shots} ${job.shots === 1 ? "shot" : "shots"} in ${job.layers} layers add ${(job.added_s / 60).toFixed(1)} min, ${share.toFixed(1)} % of ${lasts(job.print_s)}.`;
  const warnings = app.plan?.warnings ?? [];
  return made("section", { key: "plan" }, [
    made("h2", {}, job.printed_s ? "Print it again" : "The plan"),
    made("p", { id: "added", class: "lead" }, shots),
    warnings.length > 0 && made("ul", { class: "warnings" }, warnings.map((warning) => made("li", {}, warning))),
    made("h3", {}, "Before you print"),
    made("ul", { class: "plain checks" }, CHECKS.map((text, index) => made("li", {},
      made("label", {}, [made("input", { type: "checkbox", key: `${job.code}-${job.printed_s}-${index}` }), made("span", {}, text)])))),
    made("p", {}, made("a", { href: `#/rig/${job.printer}` }, "See what the cameras see now")),
    made("div", { class: "buttons" }, [
      button(app, "Send to the printer", () => app.act(job, "send"), { class: "main", disabled: job.state !== "ready" && job.state !== "done" }),
      fileLink(app, job, "filmed.gcode", "Download the file", { download: true }),
      fileLink(app, job, "plan.html", "Look at the plan"),
    ]),
    made("p", { class: "faint" }, "Sending copies the file; the print is started at the printer."),
  ]);
}

function during(app, job) {
  const { live } = app;
  const waits = app.waits(job);
  const looks = live.looks.length > 0 && made("section", { key: "looks" }, [
    made("h2", {}, "First layers"),
    made("ul", { class: "plain" }, live.looks.map((look) => layer(job, look))),
  ]);
  const first = waits || live.looks.some((look) => look.state === "found"); // the map is what one looks for
  return [
    waits && waiting(app, job, waits),
    first && looks,
    now(job, live),
    !first && looks,
    made("section", { key: "views" }, [
      made("h2", {}, "What the cameras saw last"),
      made("div", { class: "views" }, Object.entries(live.cameras).map(([name, camera]) => view(job, name, camera))),
    ]),
    made("section", { key: "acts" }, made("div", { class: "buttons" }, [
      live.lights.count > 0 && button(app, live.lights.on ? "Keep the lights on for 5 minutes" : "Lights on for 5 minutes", () => app.act(job, "light", { minutes: 5 })),
      made("a", { class: "button", href: `#/rig/${job.printer}` }, "Live picture"),
      button(app, "This print is over", () => app.act(job, "end", {}, "Switch cameras and lamps off, and make the film of what is there?", "It is over"), { class: "risky" }),
    ])),
  ];
}

// the machine stands still, hot, until a person says how it goes on
function waiting(app, job, waits) {
  const sound = app.live.looks.some((look) => look.layer === waits.layer && look.state === "sound");
  const told = { "go-on": "It was told to go on.", stop: "It was told to stop." }[waits.answered];
  const body = { layer: waits.layer }; // what this page shows: the service refuses an answer to another wait
  const goOn = button(app, "Go on printing", () => app.act(job, "go-on", body, `Is the way clear? ${job.printer} moves at once, hot. ${waits.go_on} is sent to it.`, "Go on"),
    { key: "go-on", class: sound ? "main" : "" });
  const stop = button(app, "Stop the print", () => app.act(job, "stop", body, `This print is given up and cannot be taken up again. ${waits.stop} is sent to ${job.printer}.`, "Stop it"),
    { key: "stop", class: sound ? "risky" : "risky main" });
  return made("section", { key: "waiting", class: "look" }, [
    made("h2", {}, `Layer ${waits.layer} is printed. Shall it go on?`),
    made("p", {}, "The nozzle is hot and the machine may move at once. Look at the map below and at the print itself."),
    made("p", {}, waits.until_s > 0 ? `Without an answer: ${waits.otherwise} at ${at(waits.until_s)}.` : `Without an answer: ${waits.otherwise}.`),
    told && made("p", { class: "lead" }, told),
    waits.can_send ? made("div", { class: "buttons" }, sound ? [goOn, stop] : [stop, goOn]) : made("p", { class: "fault" }, `Answer at the printer itself: ${waits.why}.`),
  ]);
}

function now(job, live) {
  const troubles = live.troubles.filter((trouble) => !ofLayers(trouble));
  const next = live.next ? `Next: shot ${live.next.shot} at layer ${live.next.layer} of ${live.layers}${live.due_in_s === null ? "" : `, in about ${lasts(live.due_in_s)}`}.` : "All shots are taken.";
  const ends = live.left_s === null ? `The print takes ${lasts(job.print_s + job.added_s)} in all.` : `Ends at about ${at(Date.now() / 1000 + live.left_s)}, in ${lasts(live.left_s)}.`;
  return made("section", { key: "now" }, [
    made("h2", {}, "Now"),
    made("p", { class: "figure" }, [`${live.done}`, made("span", { class: "faint" }, ` of ${live.shots} shots`)]),
    made("progress", { max: Math.max(1, live.shots), value: live.done, "aria-label": "Shots taken" }),
    made("p", {}, next),
    made("p", { id: "ends" }, ends),
    troubles.length > 0 && made("ul", { class: "fault" }, troubles.map((trouble) => made("li", { key: trouble.code }, `${at(trouble.since)}: ${trouble.text}`))),
  ]);
}

const LOOKS = {
  waiting: "is not printed yet", looking: "is being looked at", sound: "is sound", found: "needs a look",
  "cannot tell": "cannot be told from the bed", failed: "could not be looked at",
};

function layer(job, look) {
  const drawn = look.whole && ["sound", "found", "cannot tell"].includes(look.state);
  const kind = { sound: "sound", found: "fault", "cannot tell": "fault", failed: "fault" }[look.state] ?? "";
  return made("li", { key: look.layer }, [
    made("p", {}, [made("b", { class: kind }, `Layer ${look.layer} ${LOOKS[look.state]}`), look.words ? `: ${look.words}` : ""]),
    drawn && made("img", { class: "map", src: `/jobs/${job.code}/layers/${look.layer}.png?run=${job.printed_s}&${look.state}`, alt: `Map of layer ${look.layer} from straight above: ${look.words || LOOKS[look.state]}` }),
  ]);
}

function view(job, name, camera) {
  const gone = camera.state !== "live";
  return made("figure", { key: name }, [
    camera.last === null
      ? made("p", { class: "empty" }, "No frame yet")
      : made("img", { src: `/jobs/${job.code}/cameras/${name}/last.jpg?run=${job.printed_s}&shot=${camera.last}`, alt: `${name}, shot ${camera.last}` }),
    made("figcaption", {}, [
      made("b", {}, name), `: ${camera.last === null ? "" : `shot ${camera.last}; `}${camera.taken} taken, ${camera.missed} missed`,
      gone && made("span", { class: "fault" }, `; ${camera.state}${camera.fault ? `: ${camera.fault}` : ""}`),
    ]),
  ]);
}
