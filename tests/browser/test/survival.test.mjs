// What the page does when something is away: the token, the program, this device.

import assert from "node:assert/strict";
import net from "node:net";
import { after, before, test } from "node:test";
import { browse, collect, figuresShown, open, picture } from "../bench.mjs";

/** A way to the program on which connections can fall silent without a word, as they do while a device sleeps. */
async function wayTo(address) {
  const [host, port] = address.split(":");
  const open = new Set();
  const server = net.createServer((near) => {
    const far = net.connect(Number(port), host);
    for (const [from, to] of [[near, far], [far, near]]) {
      from.pipe(to);
      from.on("error", () => to.destroy());
      from.on("close", () => { to.destroy(); open.delete(from); });
      open.add(from);
    }
  });
  await new Promise((resolve) => server.listen(0, "127.0.0.1", resolve));
  return {
    address: `127.0.0.1:${server.address().port}`,
    hush() { for (const socket of open) { socket.unpipe(); socket.pause(); } },
    end() { for (const socket of open) socket.destroy(); server.close(); },
  };
}

let browser;
before(async () => { browser = await browse(); });
after(async () => browser?.close());

test("without its token the page shows, changes nothing, and says so", async (t) => {
  const bench = await collect("greenhouse-healthy");
  t.after(bench.end);
  const page = await open(browser, bench.link.split("#")[0]);
  await figuresShown(page);
  assert.match(await page.locator("#looking").textContent(), /can change nothing/);
  for (const activity of ["power-up", "tap", "soak", "job"]) {
    await page.evaluate((name) => { location.hash = name; }, activity);
    const free = await page.locator("#work .changes:visible:enabled").count();
    assert.equal(free, 0, `${activity} offers a change`);
  }
  assert.ok(await page.locator("#stop-run").isDisabled());
  await picture(page, "looking-only");
  await page.context().close();
});

test("a restarted program is found again, and old figures say their age meanwhile", async (t) => {
  const first = await collect("greenhouse-healthy", { kind: "soak" });
  t.after(first.end);
  const page = await open(browser, first.link);
  await figuresShown(page);
  await first.kill();
  await page.waitForFunction(() => document.querySelector(".channel").classList.contains("stale") &&
    / s old/.test(document.querySelector(".state").textContent), null, { timeout: 15_000 });
  await page.waitForFunction(() => Number(document.querySelector(".channel").style.getPropertyValue("--fresh")) < 0.7, null, { timeout: 15_000 });
  assert.match(await page.locator("#connection").textContent(), /no connection/);
  await picture(page, "program-away");
  const second = await collect("greenhouse-healthy", { kind: "soak", job: first.folder, listen: first.address });
  t.after(second.end);
  await page.waitForFunction(() => document.querySelector("#connection").textContent === "live" &&
    /Run 2, soak/.test(document.querySelector("#run").textContent), null, { timeout: 30_000 });
  await page.waitForFunction(() => !document.querySelector(".channel").classList.contains("stale"), null, { timeout: 10_000 });
  assert.deepEqual(page.complaints, []);
  await page.context().close();
});

test("an answer that was made before a word of the stream, and comes after it, takes nothing back", async (t) => {
  const bench = await collect("greenhouse-cracked-joint");
  t.after(bench.end);
  const context = await browser.newContext();
  t.after(() => context.close());
  const page = await context.newPage();
  const taps = (standing) => standing.places.reduce((sum, place) => sum + place.taps, 0);
  let release, told;
  const released = new Promise((resolve) => { release = resolve; });
  const early = new Promise((resolve) => { told = resolve; });
  await page.route("**/v1/status", async (route) => {
    const answer = await route.fetch();
    told(await answer.json());
    await released;
    await route.fulfill({ response: answer });
  });
  // Until there is a standing that can be taken back.
  const ask = async () => (await fetch(`http://${bench.address}/v1/status`)).json();
  while (!(await ask()).findings.standing.length) await new Promise((resolve) => setTimeout(resolve, 100));
  await page.goto(bench.link);
  const before = (await early).findings.standing.map(taps)[0];
  const after = await page.evaluate(async (before) => {
    const { store } = await import("/page/main.js");
    return new Promise((resolve) => {
      store.on("standing", ({ places }) => {
        const taps = places.reduce((sum, place) => sum + place.taps, 0);
        if (window.least === undefined && taps <= before) return;
        window.least = Math.min(window.least ?? taps, taps);
        resolve(taps);
      });
    });
  }, before);
  const windowed = page.waitForResponse("**/v1/window?**columns=1");
  release();
  // It is asked for after the status was taken.
  await windowed;
  assert.ok(await page.evaluate(() => window.least) >= after, `more than ${before} taps were told, then fewer again`);
});

test("after a sleep of this device the stream is taken up where it ended", async (t) => {
  const bench = await collect("greenhouse-cracked-joint");
  t.after(bench.end);
  const way = await wayTo(bench.address);
  t.after(way.end);
  const page = await open(browser, bench.link.replace(bench.address, way.address));
  await figuresShown(page);
  const asked = [];
  page.on("request", (request) => { if (request.url().endsWith("/v1/live")) asked.push(request.headers()["last-event-id"]); });
  const last = await page.evaluate(async () => (await import("/page/main.js")).store.sequence);
  way.hush();
  await page.evaluate(async (before) => {
    const { store } = await import("/page/main.js");
    while (store.sequence <= before + 200) await new Promise((resolve) => setTimeout(resolve, 50));
  }, last);
  assert.ok(asked.some((id) => Number(id) >= last), `asked with ${asked}, the last was ${last}`);
  // The trace has no hole either: what the stream did not bring was asked for.
  const holes = () => page.evaluate(async () => {
    const { trace } = await import("/page/main.js");
    return trace.lanes.one.min.slice(0, -50).filter(Number.isNaN).length;
  });
  for (let tries = 0; await holes() > 0 && tries < 40; tries++) await page.waitForTimeout(100);
  assert.equal(await holes(), 0);
  await page.context().close();
});

test("a dropout and a step sound and show differently, and a glimpse that was harmless falls silent", async (t) => {
  const bench = await collect("greenhouse-healthy", { kind: "free" });
  t.after(bench.end);
  const page = await open(browser, bench.link);
  await figuresShown(page);
  await page.keyboard.press("Shift"); // the first touch allows sound
  const tell = (name, number, more) => page.evaluate(async ([name, number, more]) => {
    const { store } = await import("/page/main.js");
    const before = window.heard.length;
    store.take(name, { number, board: store.board.serial, channel: 2, at: { utc: new Date().toISOString(), elapsed_s: store.elapsed_s }, size_a: -0.2,
      size_uncertainty_a: 0.001, duration_s: 0.01, common: false, revised: false, reason: "", words: `${more.kind} on channel 2`, ...more });
    const flash = getComputedStyle(document.querySelector("#flash"));
    return { tones: window.heard.slice(before), edge: [flash.borderTopWidth, flash.borderLeftWidth].join(" ") };
  }, [name, number, more]);
  const figures = (sign) => sign.tones.map(({ figure }) => figure);
  const signs = [];
  for (const [number, kind] of ["dropout", "step"].entries()) {
    await page.waitForTimeout(600);
    const glimpse = await tell("glimpse", 9000 + number, {});
    assert.deepEqual(figures(glimpse), ["onset"]);
    assert.ok(glimpse.tones[0].sum > 100, "an onset can be heard");
    signs.push(await tell("detection", 9000 + number, { kind, fault: true }));
  }
  assert.deepEqual(signs.map(figures), [["dropout"], ["step"]]);
  assert.notEqual(signs[0].tones[0].sum, signs[1].tones[0].sum);
  assert.notEqual(signs[0].edge, signs[1].edge);
  await page.waitForTimeout(600);
  await tell("glimpse", 9100, {});
  assert.deepEqual(figures(await tell("detection", 9100, { kind: "load_change", fault: false })), []);
  assert.deepEqual(figures(await tell("detection", 9101, { kind: "spike", fault: true })), ["onset", "spike"]);
  await page.context().close();
});
