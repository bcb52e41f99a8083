// All printers and all jobs.

import { Refused, upload } from "./asking.js";
import { made } from "./nodes.js";
import { STATES, button, heardList, saidLine, size } from "./words.js";

export function overview(app) {
  const { printers, jobs } = app.state;
  return [
    made("h1", {}, "Printers"),
    saidLine(app),
    made("div", { class: "cards" }, printers.map((printer) => card(app, printer))),
    made("section", {}, [
      made("h2", {}, "Jobs"),
      jobs.length ? made("ul", { class: "plain jobs" }, jobs.map(line)) : made("p", {}, "None yet: drop a sliced file on a printer."),
    ]),
  ];
}

function card(app, printer) {
  return made("article", { key: printer.name, class: printer.trouble ? "bad" : "" }, [
    made("h2", {}, made("a", { href: `#/printer/${printer.name}` }, printer.name)),
    made("p", {}, printer.code ? made("a", { href: `#/job/${printer.code}` }, `Prints job ${printer.code}`) : "Waits for a print"),
    printer.trouble && made("p", { class: "fault" }, printer.trouble),
    Object.keys(printer.channels).length > 0 || printer.trouble ? heardList(printer.channels)
      : made("p", { class: "note" }, ["No way to hear it is set yet: ", made("a", { href: `#/printer/${printer.name}` }, "how to")]),
    dropBox(app, printer.name),
    made("p", {}, made("a", { href: `#/rig/${printer.name}` }, "Cameras: picture, aim, check")),
  ]);
}

function line(job) {
  return made("li", { key: job.code, class: job.state === "failed" ? "fault" : "" }, [
    made("a", { href: `#/job/${job.code}` }, job.name),
    made("span", { class: "faint" }, ` ${job.code} on ${job.printer}: `),
    `${STATES[job.state]}${job.why ? `: ${job.why}` : ""}`,
    job.files["film.mp4"] && made("span", { class: "faint" }, `, film ${size(job.files["film.mp4"])}`),
  ]);
}

function dropBox(app, printer) {
  const input = () => document.getElementById(`file-${printer}`);
  const over = (event, on) => {
    event.preventDefault();
    event.currentTarget.classList.toggle("over", on);
  };
  return made("div", {
    class: "drop",
    ondragover: (event) => over(event, true),
    ondragleave: (event) => over(event, false),
    ondrop: (event) => {
      over(event, false);
      send(app, printer, event.dataTransfer.files[0]);
    },
  }, [
    button(app, "Add a sliced file", () => input().click(), { "aria-label": `Add a sliced file for ${printer}` }),
    made("p", { class: "faint" }, "or drop it here"),
    made("input", {
      type: "file", accept: ".gcode,.gco,.g", id: `file-${printer}`, hidden: true, "aria-label": `Sliced file for ${printer}`,
      onchange: (event) => {
        send(app, printer, event.target.files[0]);
        event.target.value = ""; // the same file may be chosen again
      },
    }),
  ]);
}

async function send(app, printer, file) {
  if (!file) return;
  try {
    const job = await upload(`/printers/${encodeURIComponent(printer)}/files?name=${encodeURIComponent(file.name.slice(-200))}`, file, (share) =>
      app.say(`Sending ${file.name}: ${Math.round(100 * share)} %`)
    );
    location.hash = `#/job/${job.code}`;
    app.say(`${file.name} is being planned.`);
  } catch (error) {
    app.say(error instanceof Refused ? `Not taken: ${error.message}` : `${file.name} did not get through: send it again.`);
  }
}
