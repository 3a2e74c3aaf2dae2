// The job: what is altered on the unit and its ticks, notes, runs, the report.

import { ask, change, save } from "./connection.js";
import { element, find, say, sure } from "./dom.js";
import { duration } from "./figure.js";

const KINDS = {
  "cut-track": "track cut", "lifted-leg": "leg lifted", "removed-part": "part taken out", "swapped-part": "parts changed over",
  "new-part": "new part fitted", link: "link or wire put in", "series-resistor": "resistor or lamp in series", shunt: "shunt put in",
  "disturbed-joint": "joint reflowed or reseated", other: "anything else",
};

export class Job {
  constructor(store, page) {
    this.store = store;
    this.page = page;
    find("#add-alteration [name=kind]").append(...Object.entries(KINDS).map(([value, words]) => element("option", { value }, words)));
    this.form("#add-alteration", (fields) => change("/v1/alterations", fields));
    this.form("#add-note", (fields) => change("/v1/notes", fields));
    this.form("#add-mark", (fields) => change("/v1/marks", fields));
    // From this computer the report opens as it is; from another it needs the token.
    find("#report").addEventListener("click", (event) => {
      if (["127.0.0.1", "localhost", "[::1]"].includes(location.hostname)) return;
      event.preventDefault();
      this.page.changing(() => save("/report", "report.html"));
    });
    find("#close-job").addEventListener("click", () => this.close());
    store.on("job", () => this.show());
    store.on("job-changed", () => this.fetch());
    store.on("new-run", () => this.fetch());
    store.on("run", () => this.fetch());
  }

  form(selector, send) {
    const form = find(selector);
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      const done = await this.page.changing(() => send(Object.fromEntries(new FormData(form))));
      if (!done) return;
      form.reset();
      this.fetch();
    });
  }

  async fetch() {
    try {
      const [job, runs] = await Promise.all([ask("/v1/job"), ask("/v1/runs")]);
      this.store.job = job;
      this.store.runs = runs;
      this.store.emit("job");
    } catch (error) {
      if (error.status) this.page.complain(`The job could not be read: ${error.message}`);
    }
  }

  async close() {
    if (await sure("Close the job? Everything altered must be put back or knowingly kept.") === null) return;
    let bill = null;
    if (await this.page.changing(async () => { bill = await change("/v1/close", { note: "" }); })) this.page.complain(bill.words);
    this.fetch();
  }

  show() {
    const { job, runs } = this.store;
    if (!job) return;
    const closed = job.closed && `${shortTime(job.closed.utc)} ${job.closed.text}`;
    const rows = [["Closed", closed], ["Unit", job.unit], ["Complaint", list(job.symptoms)], ["Rails", list(job.rails)], ["Marked fuse", job.marked_fuse],
      ["Channel 1", job.channels?.[0]], ["Channel 2", job.channels?.[1]], ["Thermistors", list(job.thermistors)], ["Folder", job.folder]].filter(([, value]) => value);
    find("#job-fields").replaceChildren(...rows.flatMap(([name, value]) => [element("dt", {}, name), element("dd", {}, value)]));
    say(find("#still-altered"), job.still_altered === 0 ? (job.alterations.length ? "Everything is put back or knowingly kept." : "Nothing is written down.")
      : `Still altered: ${job.still_altered}. Put back before the lid goes on.`);
    find("#alterations").replaceChildren(...job.alterations.map((one) => this.alteration(one)));
    find("#notes").replaceChildren(...[...job.notes].reverse().map((note) => element("li", {},
      element("time", {}, shortTime(note.utc)), element("span", {}, note.kind === "note" ? note.text : `${note.kind}: ${note.text}`))));
    find("#runs").replaceChildren(...[...(runs ?? [])].reverse().map((run) => element("li", {},
      element("strong", {}, `${run.run}  ${run.kind ?? "?"}`), element("time", {}, shortTime(run.started_utc)),
      element("button", { type: "button", onclick: () => this.page.showRun(run.recording ? null : run) }, run.recording ? "Follow" : "Show"),
      element("span", {}, runWords(run)))));
    const mistakes = find("#mistakes");
    mistakes.hidden = job.mistakes.length === 0;
    mistakes.replaceChildren(...job.mistakes.map((mistake) => element("li", {}, mistake)));
  }

  /** A tick is only ever set: what was put back was put back, and the record of it stays. */
  alteration(one) {
    const now = one.state;
    const tick = element("input", { type: "checkbox", checked: now !== "open", disabled: now !== "open", class: "changes" });
    tick.addEventListener("change", async () => {
      if (!await this.page.changing(() => change(`/v1/alterations/${one.number}/restored`, { note: "" }))) tick.checked = false;
      this.fetch();
    });
    const keep = element("button", { type: "button", class: "changes", hidden: now !== "open", onclick: async () => {
      const reason = await sure(`Keep alteration ${one.number} (${one.what}) for good? Give the reason.`, { reason: true });
      if (reason && await this.page.changing(() => change(`/v1/alterations/${one.number}/kept`, { reason }))) this.fetch();
    } }, "Keep");
    const words = { open: "still altered", restored: "put back", kept: `kept: ${one.state_words}`, lasting: "nothing to put back" }[now] ?? now;
    return element("li", { class: now }, element("label", {}, tick, element("span", {}, `${one.number}  ${one.what}`,
      element("small", {}, `${KINDS[one.kind] ?? one.kind}${one.why ? `, ${one.why}` : ""}: ${words}`))), keep);
  }
}

const list = (value) => (Array.isArray(value) ? value.filter(Boolean).join("; ") : value ?? "");

function runWords(run) {
  const length = run.length_s === null ? "" : `${duration(run.length_s)}, `;
  const lost = run.lost ? `, ${run.lost} lost` : "";
  if (run.recording) return "being recorded";
  return `${length}${run.readings.toLocaleString()} readings${lost}; ${run.ended ?? "cut off"}`;
}

function shortTime(utc) {
  if (!utc) return "";
  return new Date(utc).toLocaleString(undefined, { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
}
