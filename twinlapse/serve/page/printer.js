// What one printer says, line by line: whether its cues can be heard.

import { made } from "./nodes.js";
import { back, heardList } from "./words.js";

const SHOWN = 60;

export function printerPage(app, name) {
  const printer = app.state.printers.find((one) => one.name === name);
  if (!printer) return [made("section", {}, [made("h1", {}, "There is no such printer"), back()])];
  const heard = (app.lines?.lines ?? []).slice(-SHOWN).reverse();
  const set = Object.keys(printer.channels).length;
  return [
    made("section", { class: printer.trouble ? "bad" : "" }, [
      back(),
      made("h1", {}, printer.name),
      printer.trouble && made("p", { class: "fault" }, printer.trouble),
      made("p", {}, printer.code ? made("a", { href: `#/job/${printer.code}` }, `Prints job ${printer.code}`) : "Waits for a print"),
      made("p", {}, made("a", { href: `#/rig/${printer.name}` }, "Cameras: picture, aim, check")),
    ]),
    made("section", {}, [
      made("h2", {}, "How it is heard"),
      set ? heardList(printer.channels) : made("p", {}, "No way is set: name one of serial, log, klipper_socket, reprapfirmware or mqtt in [capture] of its rig, or post lines to /line."),
      made("h2", {}, "What it says"),
      made("p", {}, ["To try it, send ", made("code", {}, "M118 twinlapse begin 000000"), " from the printer's console: it must appear here as “begin”."]),
      made("div", { class: "heard", tabindex: 0, role: "region", "aria-label": "Lines of the printer" },
        made("ul", { class: "plain" }, heard.length ? heard.map(line) : made("li", {}, "Nothing yet."))),
    ]),
  ];
}

function line(heard) {
  return made("li", {}, [
    made("span", { class: "faint" }, `${new Date(1000 * heard.at_s).toLocaleTimeString()} ${heard.channel} `),
    heard.meaning && made("b", {}, `${heard.meaning} `),
    heard.text,
  ]);
}
