// After the print: the film plays, other layouts are shown before one is made, sizes stand beside downloads.

import { made } from "./nodes.js";
import { at, button, fileLink } from "./words.js";

const LAYOUTS = {
  inset: "nozzle in a corner of the wide view",
  side: "side by side",
  stack: "one above the other",
  single: "one camera at a time",
  "near-far": "from near to far",
};

export function film(app, job) {
  const there = job.files["film.mp4"];
  const busy = job.state === "filming";
  return [
    made("section", { key: "film" }, [
      made("h2", {}, "The film"),
      busy && made("p", { class: "working" }, there ? "It is being made anew. Until then, the one before:" : "It is being made."),
      there && made("video", {
        key: `film-${there}`, src: `/jobs/${job.code}/files/film.mp4?${there}`, controls: true, playsinline: true, preload: "metadata",
        poster: job.files["poster.jpg"] ? `/jobs/${job.code}/files/poster.jpg?${job.files["poster.jpg"]}` : undefined, "aria-label": `The film of ${job.name}`,
      }),
      !there && !busy && made("p", {}, "There is none yet."),
      made("div", { class: "buttons" }, [
        fileLink(app, job, "film.mp4", "Download the film", { class: "button main", download: true }),
        fileLink(app, job, "poster.jpg", "Last picture", { download: true }),
        !there && button(app, "Make the film", () => app.act(job, "render"), { class: "main", disabled: busy }),
      ]),
      job.printed_s > 0 && made("p", { class: "faint" }, `Printed ${at(job.printed_s)}.`),
    ]),
    layouts(app, job, busy),
  ];
}

function layouts(app, job, busy) {
  const trying = app.state.working.filter((name) => name.startsWith("trying layout") && name.endsWith(`(${job.code})`)).length;
  const made_ = Object.keys(job.previews);
  return made("section", { key: "layouts" }, [
    made("h2", {}, "Other layouts"),
    made_.length === 0 && trying === 0 && made("p", {}, "See one picture of each before you choose; it takes a minute or so."),
    trying > 0 && made("p", { class: "working", role: "status" }, `${trying} more ${trying === 1 ? "picture" : "pictures"} to come.`),
    made("ul", { class: "plain layouts" }, made_.map((layout) => made("li", { key: layout }, made("figure", {}, [
      made("img", { src: `/jobs/${job.code}/previews/${layout}.jpg?${job.previews[layout]}`, alt: `Layout ${layout}: ${LAYOUTS[layout]}` }),
      made("figcaption", {}, `${layout}: ${LAYOUTS[layout]}`),
      button(app, "Make the film like this", () => app.act(job, "render", { layout }), { disabled: busy, "aria-label": `Make the film in layout ${layout}` }),
    ])))),
    trying === 0 && made("div", { class: "buttons" }, button(app, made_.length ? "Make the pictures again" : "Show all layouts", () => app.act(job, "preview"), { disabled: busy })),
  ]);
}
