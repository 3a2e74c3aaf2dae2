// The job: what is altered on the unit and its ticks, notes, runs, the report.

import { ask, change, save } from "./connection.js";
import { element, find, say, sure } from "./dom.js";
import { duration } from "./figure.js";

const KINDS = {
  "cut-track": "track cut", "lifted-leg": "leg lifted", "removed-part": "part taken out", "swapped-part": "parts changed over",
  "new-part": "new part fitted", link: "link or wire put in", "series-resistor": "resistor or lamp in series", shunt: "shunt put in",
  "disturbed-joint": "joint reflowed or reseated", other: "anything else",
};

const FINDINGS_EVERY_MS = 3000;
const FINDINGS_WAITS = 200;

export class Job {
  constructor(store, page) {
    this.store = store;
    this.page = page;
    this.listed = {};
    this.waited = 0;
    find("#add-alteration [name=kind]").append(...Object.entries(KINDS).map(([value, words]) => element("option", { value }, words)));
    this.form("#add-alteration", (fields) => change("/v1/alterations", fields));
    this.form("#fill-in", (fields) => {
      const given = Object.fromEntries(Object.entries(fields).filter(([, value]) => value.trim()));
      const lines = (text) => (text ?? "").split("\n").map((line) => line.trim()).filter(Boolean);
      return change("/v1/job", { unit: given.unit ?? "", symptoms: lines(given.symptoms), rails: lines(given.rails?.replaceAll(",", "\n")),
        marked_fuse: given.marked_fuse ?? "", channels: [given.channel_1 ?? "", given.channel_2 ?? ""],
        thermistors: [given.thermistor_1 ?? "", given.thermistor_2 ?? ""] });
    });
    this.form("#add-note", (fields) => change("/v1/notes", fields));
    this.form("#add-mark", (fields) => change("/v1/marks", fields));
    find("#report").addEventListener("click", (event) => this.openReport(event));
    find("#close-job").addEventListener("click", () => this.close());
    store.on("job", () => this.show());
    store.on("job-changed", () => this.fetch());
    store.on("new-run", () => this.fetch());
    store.on("run", () => {
      this.waited = 0;
      this.fetch();
    });
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
    const note = await sure("Close the job? Everything altered must be put back or knowingly kept.", { note: true });
    if (note === null) return;
    let bill = null;
    if (await this.page.changing(async () => { bill = await change("/v1/close", { note }); })) this.page.complain(bill.words);
    this.fetch();
  }

  show() {
    const { job, runs } = this.store;
    if (!job) return;
    const closed = job.closed && `${shortTime(job.closed.utc)} ${job.closed.text}`;
    const rows = [["Closed", closed], ["Unit", job.unit], ["Complaint", list(job.symptoms)], ["Rails", list(job.rails)], ["Marked fuse", job.marked_fuse],
      ["Channel 1", job.channels?.[0]], ["Channel 2", job.channels?.[1]], ["Thermistors", list(job.thermistors)], ["Folder", job.folder]].filter(([, value]) => value);
    find("#job-fields").replaceChildren(...rows.flatMap(([name, value]) => [element("dt", {}, name), element("dd", {}, value)]));
    find("#job-closed").hidden = !job.closed;
    this.offerEmpty(job);
    say(find("#still-altered"), job.still_altered === 0 ? (job.alterations.length ? "Everything is put back or knowingly kept." : "Nothing is written down.")
      : `Still altered: ${job.still_altered}. Put back before the lid goes on.`);
    this.relist("#alterations", job.alterations, (one) => this.alteration(one));
    this.relist("#notes", [...job.notes].reverse(), (note) => element("li", {},
      element("time", {}, shortTime(note.utc)), element("span", {}, note.kind === "note" ? note.text : `${note.kind}: ${note.text}`)));
    this.relist("#runs", [...(runs ?? [])].reverse(), (run) => element("li", {},
      element("strong", {}, `${run.run}  ${run.kind ?? "?"}`), element("time", {}, shortTime(run.started_utc)),
      element("button", { type: "button", onclick: () => this.page.showRun(run.recording ? null : run) }, run.recording ? "Follow" : "Show"),
      element("span", {}, runWords(run)), (run.found ?? []).map((line, at) => line && element("span", { class: "found-line" },
        run.found.length > 1 ? `Board ${run.boards[at]}: ${line}` : line)),
      run.recording ? null : this.reportLink(run)));
    this.waitForFindings(runs ?? []);
    const mistakes = find("#mistakes");
    mistakes.hidden = job.mistakes.length === 0;
    mistakes.replaceChildren(...job.mistakes.map((mistake) => element("li", {}, mistake)));
  }

  /** Lists anew only what has changed: what is being typed there stays. */
  relist(where, all, made) {
    const now = JSON.stringify(all);
    if (this.listed[where] === now) return;
    this.listed[where] = now;
    find(where).replaceChildren(...all.map(made));
  }

  /** Fields that are empty can be filled in; one that has words is the operator's. */
  offerEmpty(job) {
    const empty = { unit: !job.unit, symptoms: !job.symptoms.length, rails: !job.rails.length, marked_fuse: !job.marked_fuse,
      channel_1: !job.channels[0], channel_2: !job.channels[1], thermistor_1: !job.thermistors[0], thermistor_2: !job.thermistors[1] };
    for (const [name, is] of Object.entries(empty)) find(`#fill-in [name=${name}]`).parentElement.hidden = !is;
    find("#fill-in-job").hidden = !Object.values(empty).some(Boolean);
  }

  reportLink(run) {
    const link = element("a", { href: `/report#run-${run.run}`, target: "_blank", rel: "noopener", "aria-label": `Report of run ${run.run}` }, "Report");
    link.addEventListener("click", (event) => this.openReport(event));
    return link;
  }

  /** From this computer the report opens as it is; from another it needs the token. */
  openReport(event) {
    if (["127.0.0.1", "localhost", "[::1]"].includes(location.hostname)) return;
    event.preventDefault();
    this.page.changing(() => save("/report", "report.html"));
  }

  /** What was found is there a little after a run is over. */
  waitForFindings(runs) {
    clearTimeout(this.waiting);
    const lacks = runs.some((run) => run.ended && run.kind !== "free" && run.found.includes(null));
    if (!lacks || this.waited >= FINDINGS_WAITS) return;
    this.waited++;
    this.waiting = setTimeout(() => this.fetch(), FINDINGS_EVERY_MS);
  }

  /** A tick is only ever set: what was put back was put back, and the record of it stays. */
  alteration(one) {
    const now = one.state;
    const beside = element("input", { class: "beside-tick changes", maxLength: 200, hidden: now !== "open", placeholder: "remark",
      "aria-label": `Remark beside putting back alteration ${one.number}`, autocomplete: "off" });
    const tick = element("input", { type: "checkbox", checked: now !== "open", disabled: now !== "open", class: "changes" });
    tick.addEventListener("change", async () => {
      if (!await this.page.changing(() => change(`/v1/alterations/${one.number}/restored`, { note: beside.value.trim() }))) tick.checked = false;
      this.fetch();
    });
    const keep = element("button", { type: "button", class: "changes", hidden: now !== "open", onclick: async () => {
      const reason = await sure(`Keep alteration ${one.number} (${one.what}) for good? Give the reason.`, { reason: true });
      if (reason && await this.page.changing(() => change(`/v1/alterations/${one.number}/kept`, { reason }))) this.fetch();
    } }, "Keep");
    const words = { open: "still altered", restored: `put back${one.state_words ? `, ${one.state_words}` : ""}`, kept: `kept: ${one.state_words}`, lasting: "nothing to put back" }[now] ?? now;
    return element("li", { class: now }, element("label", {}, tick, element("span", {}, `${one.number}  ${one.what}`,
      element("small", {}, `${KINDS[one.kind] ?? one.kind}${one.why ? `, ${one.why}` : ""}: ${words}`))), beside, keep);
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
