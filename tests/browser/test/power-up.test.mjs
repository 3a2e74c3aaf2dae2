// A switch-on as the page shows it: armed, seen, frozen, with figures that stand and a trace that stands still.

import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { mkdtemp, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import path from "node:path";
import { test } from "node:test";
import { STEADY, browse, collect, figuresShown, open, picture } from "../bench.mjs";

test("a switch-on is taken, its figures stand, and the trace shows it without loss", async (t) => {
  const folder = await mkdtemp(path.join(tmpdir(), "steady-page-"));
  const job = path.join(folder, "job");
  execFileSync(STEADY, ["job", "new", job, "--unit", "greenhouse vent controller", "--fuse", "T630mAL250V", "--channel-1", "stage 1",
    "--channel-2", "stage 2"]);
  const bench = await collect("greenhouse", { kind: "power-up", job, more: ["--rate", "4000"] });
  const browser = await browse();
  t.after(async () => {
    await browser.close();
    await bench.end();
    await rm(folder, { recursive: true, force: true });
  });
  const page = await open(browser, bench.link);
  await figuresShown(page);
  await page.waitForFunction(() => document.querySelector("#power-up-stages [aria-current]")?.dataset.stage === "frozen", null, { timeout: 30_000 });
  assert.match(await page.locator("[data-activity=power-up] .caution").first().textContent(), /Capacitors stay charged/);
  const found = await page.locator("#power-up-figures").textContent();
  for (const name of ["stage 1", "stage 2", "Peak", "I²t", "Settled current", "Against the fuse"]) assert.ok(found.includes(name), `${name} in ${found}`);
  await page.waitForFunction(() => document.querySelector("#follow").getAttribute("aria-pressed") === "false");

  // What the record says is what the page shows, however far away: the highest reading is in the column it falls in.
  const peak_a = await page.evaluate(async () => {
    const { store } = await import("/page/main.js");
    return store.powerUp.channels[0].peak_a.value;
  });
  for (const span_s of [1, 60, 3600]) {
    const highest_a = await page.evaluate(async (span_s) => {
      const { trace } = await import("/page/main.js");
      trace.visit(trace.store.powerUp.switched_on_s, span_s);
      for (let tries = 0; tries < 60; tries++) {
        await new Promise((resolve) => setTimeout(resolve, 100));
        const found = trace.lanes.one.extremes();
        if (found && trace.window && !trace.abort && !trace.asking) return found[1];
      }
      return null;
    }, span_s);
    assert.ok(Math.abs(highest_a - peak_a) < peak_a * 0.02, `${highest_a} A over ${span_s} s, the peak is ${peak_a} A`);
  }
  await picture(page, "power-up-frozen");
  assert.deepEqual(page.complaints, []);
});
