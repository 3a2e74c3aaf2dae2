// How fast the page is, printed. Nothing here passes or fails: the figures depend on the machine.
//
//   npm run figures [-- SECONDS]
//
// Reading to pixels is counted from the instant at which the collector had the reading off the wire to the frame that
// shows it. Event to sound is counted from the instant at which the collector had the bytes of the frame that holds the
// reading at the event's onset, and in shares: until the program says so, until the page begins the sound, and what the
// browser's audio and the sound device still take, by what the browser states of them (`baseLatency`, `outputLatency`).

import { performance } from "node:perf_hooks";
import { browse, collect, figuresShown, open } from "./bench.mjs";

const SECONDS = Number(process.argv[2] ?? 60);
/** From a frame's callback until it is on the screen: one frame at 60 a second. */
const FRAME_MS = 1000 / 60;

const bench = await collect("greenhouse-cracked-joint");
const browser = await browse();
const page = await open(browser, bench.link);
await figuresShown(page);
await page.keyboard.press("Shift");
const devtools = await page.context().newCDPSession(page);
const whole = await browser.newBrowserCDPSession();
await devtools.send("Performance.enable");

const heap = async () => {
  await devtools.send("HeapProfiler.collectGarbage");
  const { metrics } = await devtools.send("Performance.getMetrics");
  return metrics.find((one) => one.name === "JSHeapUsedSize").value / 1e6;
};
const busy = async () => {
  const { processInfo } = await whole.send("SystemInfo.getProcessInfo");
  const sum = {};
  for (const { type, cpuTime } of processInfo) sum[type] = (sum[type] ?? 0) + cpuTime;
  return sum;
};
const programBusy = async () => {
  const { readFile } = await import("node:fs/promises");
  const fields = (await readFile(`/proc/${bench.pid}/stat`, "utf8")).split(") ")[1].split(" ");
  return (Number(fields[11]) + Number(fields[12])) / 100;
};

await page.waitForTimeout(15_000);
const before = { heap: await heap(), busy: await busy(), program: await programBusy(), at: performance.now() };
const watched = await page.evaluate(async ([seconds, frame_ms]) => {
  const { store, trace } = await import("/page/main.js");
  const began = performance.now();
  // When a reading came, by the state that told of the newest one: its age then, and its distance in board time.
  let zero_ms = null;
  const late_ms = [];
  const [sounds, decisions_ms] = [[], []];
  const unheard = new Set();
  let [states, drawn, shown_to_s] = [0, trace.drawn, trace.recent.to_s];
  store.on("state", (state) => {
    states++;
    zero_ms = Date.parse(state.utc) - (state.boards[0].age_s + state.boards[0].elapsed_s) * 1000;
  });
  store.on("glimpse", (one) => {
    const tone = window.heard.at(-1);
    if (!tone || tone.figure !== "onset" || !one.arrived_utc) return;
    const [arrived_ms, said_ms] = [Date.parse(one.arrived_utc), Date.parse(one.said_utc)];
    unheard.add(`${one.board} ${one.number}`);
    sounds.push({ said: said_ms - arrived_ms, begun: tone.begins_ms - said_ms, browser: tone.base_ms, device: tone.output_ms });
  });
  let [faults, glimpsed] = [0, 0];
  store.on("event", (one) => {
    if (one.revised) return;
    if (one.arrived_utc) decisions_ms.push(Date.parse(one.said_utc) - Date.parse(one.arrived_utc));
    if (one.grave) faults++;
    if (one.grave && unheard.delete(one.id)) glimpsed++;
  });
  const first = { states: 0, drawn };
  await new Promise((resolve) => {
    const look = () => {
      if (trace.drawn !== drawn && zero_ms !== null) {
        drawn = trace.drawn;
        const now_ms = performance.timeOrigin + performance.now() + frame_ms;
        for (let at_s = shown_to_s; at_s < trace.recent.to_s - 1e-9; at_s += trace.recent.column_s) late_ms.push(now_ms - zero_ms - at_s * 1000);
        shown_to_s = trace.recent.to_s;
      }
      if (performance.now() - began < seconds * 1000) requestAnimationFrame(look);
      else resolve();
    };
    requestAnimationFrame(look);
  });
  const took_s = (performance.now() - began) / 1000;
  const windows_ms = [];
  for (let i = 0; i < 20; i++) {
    const asked = performance.now();
    await (await fetch(`/v1/window?run=${store.run}&from_s=0&columns=1200`)).arrayBuffer();
    windows_ms.push(performance.now() - asked);
  }
  return { late_ms, sounds, decisions_ms, faults, glimpsed, harmless: unheard.size, windows_ms, states_per_s: (states - first.states) / took_s, drawn_per_s: (drawn - first.drawn) / took_s };
}, [SECONDS, FRAME_MS]);
const took_s = (performance.now() - before.at) / 1000;
const after = { heap: await heap(), busy: await busy(), program: await programBusy() };

const quantile = (values, share) => [...values].sort((a, b) => a - b)[Math.min(values.length - 1, Math.floor(values.length * share))] ?? NaN;
const row = (name, value) => console.log(`${name.padEnd(44)} ${value}`);
const spread = (values) => `median ${quantile(values, 0.5).toFixed(0)} ms, 99 % within ${quantile(values, 0.99).toFixed(0)} ms (${values.length})`;
row("reading off the wire to pixels", spread(watched.late_ms));
const share = (...names) => spread(watched.sounds.map((one) => names.reduce((sum, name) => sum + one[name], 0)));
row("event's onset off the wire to its sound", share("said", "begun", "browser", "device"));
row("  without the sound device's own delay", share("said", "begun", "browser"));
row("  until the program says so", share("said"));
row("  until the page begins the sound", share("begun"));
row("  the browser's audio", share("browser"));
row("  the sound device", share("device"));
row("event's onset off the wire to what it is", spread(watched.decisions_ms));
row("faults, begun by a glimpse, glimpses of none", `${watched.faults}, ${watched.glimpsed}, ${watched.harmless}`);
row("window of the whole run, asked and answered", spread(watched.windows_ms));
row("states taken, traces drawn", `${watched.states_per_s.toFixed(1)} and ${watched.drawn_per_s.toFixed(1)} a second`);
for (const type of Object.keys(after.busy)) {
  const share = (after.busy[type] - (before.busy[type] ?? 0)) / took_s;
  if (share >= 0.001) row(`share of a core, browser: ${type}`, `${(share * 100).toFixed(1)} %`);
}
row("share of a core, program with the virtual bench", `${((after.program - before.program) / took_s * 100).toFixed(1)} %`);
row("scripts' memory, before and after", `${before.heap.toFixed(1)} MB and ${after.heap.toFixed(1)} MB over ${took_s.toFixed(0)} s`);
await browser.close();
await bench.end();
