// The page: #/ printers and jobs, #/printer/NAME what it says, #/rig/NAME its cameras, #/job/CODE one job.

import { answerOf } from "./answer.js";
import { Refused, TokenNeeded, asked, login, post } from "./asking.js";
import { jobPage } from "./job.js";
import { made, patch } from "./nodes.js";
import { overview } from "./overview.js";
import { printerPage } from "./printer.js";
import { RigWatch, rigPage } from "./rig.js";
import { lasts } from "./words.js";

const PAUSE_MS = 1000;
const HIDDEN_MS = 5000;
const $ = (id) => document.getElementById(id);
const SAID = {
  render: "The film is being made.", preview: "The pictures are being made.", end: "The print counts as over.",
  delete: "It is deleted.", light: "The lights are on.", "go-on": "It was told to go on.", stop: "It was told to stop.",
};

const app = {
  state: null, // of the service, as last heard
  live: null, // of the print on the page
  lines: null, // of the printer on the page
  plan: null, // of the job on the page
  lost: false,
  said: "",
  heardMs: 0,
  rig: null,

  say(text) {
    app.said = text;
    app.redraw();
  },

  rigWatch(name) {
    if (app.rig?.printer !== name) {
      app.rig?.end();
      app.rig = new RigWatch(app, name);
    }
    return app.rig;
  },

  waits: (job) => app.state.printers.find((one) => one.code === job.code)?.waits ?? null,

  async act(job, what, body = {}, question = "", yes = "") {
    if (question && !(await sure(question, yes))) return;
    try {
      const reply = await post(`/jobs/${job.code}/${what}`, body);
      app.said = reply.said || SAID[what] || "Done.";
      if (what === "delete") location.hash = "#/";
    } catch (error) {
      app.said = error instanceof Refused ? error.message : "The service did not answer: it may not have been done.";
    }
    await look();
  },

  redraw() {
    if (app.state) draw();
  },
};

// -- asking a person, by a dialog that a keyboard and a screen reader know

let lastQuestion = null; // the answer to the question before

async function sure(question, yes) {
  await lastQuestion; // a dialog tells of its end a moment after it: that must not answer the next question
  const dialog = $("sure");
  $("sure-question").textContent = question;
  $("sure-yes").textContent = yes;
  dialog.returnValue = "";
  dialog.showModal();
  lastQuestion = new Promise((done) => dialog.addEventListener("close", () => done(dialog.returnValue === "yes" && !app.lost), { once: true }));
  return lastQuestion;
}

for (const [id, value] of [["sure-yes", "yes"], ["sure-no", ""]]) $(id).addEventListener("click", () => $("sure").close(value));

// -- what is shown

const route = () => {
  const [, what = "", which = ""] = location.hash.split("?")[0].split("/");
  return [what, decodeURIComponent(which)];
};

function draw() {
  const [what, which] = route();
  if (what !== "rig") {
    app.rig?.end();
    app.rig = null;
  }
  const pages = { job: jobPage, printer: printerPage, rig: rigPage };
  const nodes = (pages[what] ?? overview)(app, which);
  patch($("content"), nodes.filter(Boolean));
  showAnswer();
  const { free_mb, would_go, working } = app.state;
  put("room", [
    `${(free_mb / 1000).toFixed(1)} GB free`,
    would_go.length ? `to make room, jobs ${would_go.join(", ")} would go first` : "",
    working.length ? `working: ${working.join(", ")}` : "",
  ].filter(Boolean).join("; "));
}

function put(id, text) {
  if ($(id).textContent !== text) $(id).textContent = text; // an unchanged status is not read out again
}

function showAnswer() {
  const answer = app.lost ? { kind: "trouble", text: "No answer", more: "" } : answerOf(app.state.printers);
  put("answer", answer.text);
  if ($("answer").className !== answer.kind) $("answer").className = answer.kind;
  put("answer-more", answer.more);
  document.title = `${answer.text} - twinlapse`;
}

function showLost(error) {
  app.lost = true;
  document.body.classList.add("stale");
  $("lost").hidden = false;
  put("lost-words", "The service does not answer");
  put("lost-age", app.heardMs ? `What you see is ${lasts((Date.now() - app.heardMs) / 1000)} old. The print goes on without this page; look at the machine.` : error.message);
  if (app.state) draw();
  else {
    put("answer", "No answer");
    document.title = "No answer - twinlapse";
  }
}

function showFound() {
  app.heardMs = Date.now();
  if (!app.lost && $("login").hidden) return;
  app.lost = false;
  document.body.classList.remove("stale");
  $("lost").hidden = true;
  $("login").hidden = true;
}

// -- asking the service, again and again

async function look() {
  try {
    const state = await asked("/state");
    const [what, which] = route();
    const job = what === "job" ? state.jobs.find((one) => one.code === which) : null;
    const live = job?.state === "printing" ? await asked(`/jobs/${which}/status`).catch(quiet) : null;
    const lines = what === "printer" ? await asked(`/printers/${encodeURIComponent(which)}/lines`).catch(quiet) : null;
    if (!job) app.plan = null;
    else if (["ready", "done"].includes(job.state) && app.plan?.mark !== markOf(job)) {
      app.plan = { mark: markOf(job), ...(await asked(`/jobs/${which}/plan`).catch(quiet)) };
    }
    Object.assign(app, { state, live, lines });
    showFound();
    draw();
  } catch (error) {
    if (error instanceof TokenNeeded) showLogin();
    else showLost(error);
  }
}

const markOf = (job) => `${job.code} ${job.shots} ${job.added_s}`;

function quiet(error) {
  if (!(error instanceof Refused)) throw error; // a refusal concerns one part of the page alone
  return null;
}

function showLogin() {
  app.state = null;
  $("login").hidden = false;
  $("lost").hidden = true;
  patch($("content"), []);
  put("answer", "A token is needed");
  put("answer-more", "");
  document.title = "A token is needed - twinlapse";
}

$("login").addEventListener("submit", async (event) => {
  event.preventDefault();
  try {
    put("login-fault", (await login($("token").value.trim())) ? "" : "This is not the token of this service.");
  } catch {
    put("login-fault", "The service does not answer.");
  }
  await look();
});

window.addEventListener("hashchange", async () => {
  await takeToken();
  app.said = "";
  app.plan = null;
  await look();
  window.scrollTo(0, 0); // the answer stands at the top
});
document.addEventListener("visibilitychange", () => document.hidden || look());

// the address that pairs a phone holds the token: it is shown to the service and leaves the address at once
async function takeToken() {
  const given = new URLSearchParams(location.hash.split("?")[1] ?? "").get("token");
  if (!given) return;
  history.replaceState(null, "", "/#/");
  await login(given).catch(() => false);
}

await takeToken();
(async function go() {
  await look();
  setTimeout(go, document.hidden ? HIDDEN_MS : PAUSE_MS);
})();
