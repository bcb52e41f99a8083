// Figures and states in words, and the few pieces that several pages share.

import { made } from "./nodes.js";

export const STATES = {
  planning: "being planned and proven",
  ready: "ready to print",
  printing: "printing",
  filming: "the film is being made",
  done: "done",
  failed: "failed",
};

export function lasts(seconds) {
  const minutes = Math.round(seconds / 60);
  if (seconds < 90) return `${Math.max(0, Math.round(seconds))} s`;
  if (minutes < 90) return `${minutes} min`;
  return `${Math.floor(minutes / 60)} h ${minutes % 60} min`;
}

export const size = (bytes) => (bytes > 1e6 ? `${(bytes / 1e6).toFixed(1)} MB` : `${Math.ceil(bytes / 1e3)} kB`);

export function at(seconds) {
  const when = new Date(1000 * seconds);
  const today = when.toDateString() === new Date().toDateString();
  const time = when.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
  return today ? time : `${when.toLocaleDateString([], { weekday: "short", day: "numeric", month: "short" })}, ${time}`;
}

export const back = () => made("p", { class: "back" }, made("a", { href: "#/" }, "All printers and jobs"));

// what the last button said; a screen reader hears it
export const saidLine = (app) => made("p", { id: "said", role: "status", key: "said" }, app.said);

export const button = (app, text, onclick, more = {}) =>
  made("button", { type: "button", ...more, onclick, disabled: app.lost || Boolean(more.disabled) }, text);

// a link to a file of a job with its size; while the service is lost it leads nowhere
export const fileLink = (app, job, name, text, more = {}) => job.files[name] &&
  made("a", { class: "button", ...more, href: app.lost ? undefined : `/jobs/${job.code}/files/${name}` }, `${text} (${size(job.files[name])})`);

export function heardList(channels) {
  return made("ul", { class: "plain channels" }, Object.entries(channels).map(([name, fault]) =>
    made("li", { key: name, class: fault ? "fault" : "" }, `${name}: ${fault || "heard"}`)
  ));
}
