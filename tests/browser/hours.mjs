// Whether the page stays as light as it began, over hours: memory and processor use of the browser and of the program,
// a row for each stretch of time. Nothing here passes or fails.
//
//   npm run hours [-- MINUTES [MINUTES_PER_ROW [SCENARIO]]]
//
// The scripts' memory is measured after collecting what nobody holds any more; resident memory is that of the process that
// draws the page. The whole run is shown, so that the page asks for windows all the time, and joints and taps bring events.

import { readFile } from "node:fs/promises";
import { browse, collect, figuresShown, open } from "./bench.mjs";

const [minutes = 60, per_row = 15, scenario = "greenhouse-cracked-joint"] = process.argv.slice(2);
const ROW_MS = Number(per_row) * 60_000;
/** What the processor's time is counted in (`getconf CLK_TCK`). */
const TICKS_PER_S = 100;

const bench = await collect(scenario);
const browser = await browse();
const page = await open(browser, bench.link);
await figuresShown(page);
await page.evaluate(async () => (await import("/page/main.js")).trace.show(Infinity));
const devtools = await page.context().newCDPSession(page);
const whole = await browser.newBrowserCDPSession();
await devtools.send("Performance.enable");

async function processes() {
  const { processInfo } = await whole.send("SystemInfo.getProcessInfo");
  const of = (type) => processInfo.filter((one) => one.type === type).map((one) => one.id);
  return { renderer: of("renderer"), browser: processInfo.map((one) => one.id), program: [bench.pid] };
}

async function used(pids) {
  let [busy_s, resident_mb] = [0, 0];
  for (const pid of pids) {
    try {
      const fields = (await readFile(`/proc/${pid}/stat`, "utf8")).split(") ")[1].split(" ");
      busy_s += (Number(fields[11]) + Number(fields[12])) / TICKS_PER_S;
      const status = await readFile(`/proc/${pid}/status`, "utf8");
      resident_mb += Number(/VmRSS:\s+(\d+)/.exec(status)?.[1] ?? 0) / 1024;
    } catch {
      // A helper process of the browser that has ended.
    }
  }
  return { busy_s, resident_mb };
}

async function measured() {
  await devtools.send("HeapProfiler.collectGarbage");
  const { metrics } = await devtools.send("Performance.getMetrics");
  const named = (name) => metrics.find((one) => one.name === name).value;
  const pids = await processes();
  const facts = await page.evaluate(async () => {
    const { store, trace } = await import("/page/main.js");
    return { happenings: store.happenings.length, drawn: trace.drawn };
  });
  return { at_ms: performance.now(), heap_mb: named("JSHeapUsedSize") / 1e6, nodes: named("Nodes"), listeners: named("JSEventListeners"), ...facts,
    renderer: await used(pids.renderer), browser: await used(pids.browser), program: await used(pids.program) };
}

console.log("minutes   scripts' memory   elements   listeners   listed   renderer resident, core   browser, core   program resident, core   drawn/s");
const began_ms = performance.now();
let before = await measured();
const row = (now, before) => {
  const took_s = (now.at_ms - before.at_ms) / 1000;
  const share = (of) => (took_s > 1 ? `${((now[of].busy_s - before[of].busy_s) / took_s * 100).toFixed(1)} %` : "");
  console.log([((now.at_ms - began_ms) / 60_000).toFixed(0).padStart(7), `${now.heap_mb.toFixed(2)} MB`.padStart(17), String(now.nodes).padStart(10),
    String(now.listeners).padStart(11), String(now.happenings).padStart(8), `${now.renderer.resident_mb.toFixed(0)} MB`.padStart(19),
    share("renderer").padStart(6), share("browser").padStart(15), `${now.program.resident_mb.toFixed(1)} MB`.padStart(18), share("program").padStart(6),
    took_s > 1 ? ((now.drawn - before.drawn) / took_s).toFixed(1).padStart(9) : ""].join(" "));
};
row(before, before);
while (performance.now() - began_ms < Number(minutes) * 60_000 - 1000) {
  await page.waitForTimeout(ROW_MS);
  const now = await measured();
  row(now, before);
  before = now;
}
await browser.close();
await bench.end();
