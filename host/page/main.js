// Puts the parts of the page together.

import { powerUp, soak, twins } from "./activities.js";
import { ask, change, follow, token } from "./connection.js";
import { classed, find, findAll, say, sure } from "./dom.js";
import { duration, stopwatch } from "./figure.js";
import { Figures } from "./figures.js";
import { listHappenings } from "./happenings.js";
import { Job } from "./job.js";
import { signals } from "./signal.js";
import { Store } from "./store.js";
import { Tap } from "./tap.js";
import { Trace } from "./trace.js";

const COMPLAINT_MS = 9000;

export const store = new Store();
const page = {
  activity: null,

  complain(words) {
    const where = find("#trouble");
    say(where, words);
    where.hidden = false;
    clearTimeout(page.forgetting);
    page.forgetting = setTimeout(() => { where.hidden = true; }, COMPLAINT_MS);
  },

  /** Carries out a change; gives whether it was done, and says why not. */
  async changing(act) {
    try {
      await act();
      return true;
    } catch (error) {
      const stale = error.status === 401 ? " This page's token is not the running program's: open the link it printed." : "";
      page.complain(`Not done: ${error.message}.${stale}`);
      return false;
    }
  },

  showRun(run) {
    trace.showRun(run);
    find("#trace").scrollIntoView({ block: "nearest" });
    find("#plot").focus();
  },

  announceTap(mark) {
    const count = (page.tapped = (page.tapped ?? 0) + 1);
    say(find("#tap-now small"), `${count} tap${count === 1 ? "" : "s"}${mark.source === "pedal" ? ", by foot switch" : ""}`);
  },
};

export const trace = new Trace(store);
const job = new Job(store, page);
new Figures(store, { rearm: () => page.changing(() => change("/v1/rearm")) });
new Tap(store, page);
listHappenings(store, trace);
signals(store);
powerUp(store, trace);
twins(store);
soak(store);

store.on("complaint", page.complain);
store.on("trouble", (trouble) => page.complain(trouble.words));
store.on("missed", ({ missed }) => {
  if (missed) page.complain(`${missed} messages were missed while this device was away; the record has them.`);
  catchUp();
});
store.on("new-run", (state) => {
  page.tapped = 0;
  trace.forget();
  if (!location.hash && state.kind) turnTo(state.kind);
});
store.on("state", (state) => {
  showRun(state);
  const { board } = store;
  if (!board) return;
  if (trace.board !== board.serial) chooseBoards(state.boards, board);
  trace.take(board);
});

function chooseBoards(boards, board) {
  trace.board = store.serial = board.serial;
  const choice = find("#board");
  choice.replaceChildren(...boards.map((one) => new Option(`${one.serial} (${one.port})`, one.serial, false, one === board)));
  choice.parentElement.hidden = boards.length < 2;
}

const RUN_NAMES = { soak: "soak", tap: "tap and flex", "power-up": "power-up", twins: "twins", free: "free run" };

function showRun(state) {
  const standby = store.standby;
  const left = state.left_s === null || state.left_s === undefined ? "" : `, ${duration(state.left_s)} left`;
  say(find("#run"), standby ? "Standby: measuring, not recording"
    : `Run ${state.run}, ${RUN_NAMES[state.kind] ?? state.kind}, recording ${stopwatch(store.elapsed_s)}${left}`);
  find("#stop-run").hidden = standby;
}

// --- Activities, by the part of the address behind #.

function turnTo(name) {
  const known = findAll("[data-activity]").map((section) => section.dataset.activity);
  const activity = known.includes(name) ? name : page.activity ?? "job";
  page.activity = activity;
  for (const section of findAll("[data-activity]")) section.hidden = section.dataset.activity !== activity;
  for (const link of findAll("nav a")) {
    if (link.hash === `#${activity}`) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
}
addEventListener("hashchange", () => turnTo(location.hash.slice(1)));
turnTo(location.hash.slice(1));

// --- Starting and stopping.

async function begin(kind, more = {}) {
  const running = store.run !== null && !store.standby;
  if (running && await sure(`This ends run ${store.run} and begins the next. Go on?`) === null) return false;
  return page.changing(() => change("/v1/runs", { kind, ...more }));
}
for (const button of findAll("[data-begin]")) button.addEventListener("click", () => begin(button.dataset.begin));
find("#arm").addEventListener("click", () => begin("power-up"));
find("#begin-soak").addEventListener("submit", (event) => {
  event.preventDefault();
  begin("soak", { duration_s: Number(event.currentTarget.elements.hours.value) * 3600 });
});
find("#stop-run").addEventListener("click", async () => {
  if (await sure(`Stop run ${store.run}? What is recorded stays.`) !== null) page.changing(() => change("/v1/stop"));
});
find("#end-program").addEventListener("click", async () => {
  if (await sure("End the program? Nothing is measured or guarded by it afterwards.") !== null) page.changing(() => change("/v1/end"));
});
find("#large").addEventListener("click", (event) => {
  const large = document.body.classList.toggle("large");
  event.currentTarget.setAttribute("aria-pressed", String(large));
});

// --- Without the token the page looks on.

if (!token) {
  document.body.classList.add("looking-on");
  find("#looking").hidden = false;
  say(find("#looking"), "Looking only: this page was opened without its token and can change nothing. Open the link the program printed to change things.");
  const still = () => findAll("button.changes, input.changes, form .changes").forEach((one) => { one.disabled = true; });
  still();
  new MutationObserver(still).observe(find("#work"), { childList: true, subtree: true });
}

ask("/page/cautions.json").then((cautions) => {
  for (const where of findAll("[data-caution]")) say(where, cautions[where.dataset.caution]);
}).catch((error) => page.complain(`The cautions could not be read: ${error.message}`));

/** What was said before this page listened, or while it could not. */
async function catchUp() {
  try {
    const status = await ask("/v1/status");
    if ((status.run?.number ?? null) !== store.run) return;
    store.takeFindings(status.findings, status.next_event);
    // One column of the whole run brings every event and mark of it.
    for (const board of store.run === null ? [] : status.boards) {
      const window = await ask(`/v1/window?run=${store.run}&board=${board.serial}&columns=1`);
      store.takeWindow(window);
      if (window.made_share < 1) setTimeout(catchUp, 2000);
    }
  } catch (error) {
    if (error.status) page.complain(`The present state could not be read: ${error.message}`);
  }
}
store.on("new-run", catchUp);

follow(
  (name, data, number) => store.take(name === "job" ? "job-changed" : name, data, number),
  (how, words) => {
    const where = find("#connection");
    say(where, how === "connected" ? "live" : `no connection: ${words}. Trying again.`);
    classed(where, how === "connected" ? "connection" : "connection lost");
  },
);
