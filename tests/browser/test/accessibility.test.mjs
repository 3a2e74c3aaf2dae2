// No serious fault by axe-core's rules for WCAG 2.2 A and AA, in every activity, in dark and light, on desktop and phone;
// nothing cut off at 200 %; everything reached by keyboard.

import assert from "node:assert/strict";
import { readFile } from "node:fs/promises";
import { createRequire } from "node:module";
import { after, before, test } from "node:test";
import { browse, collect, figuresShown, open, picture } from "../bench.mjs";

const AXE = await readFile(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const RULES = { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] };
const ACTIVITIES = ["power-up", "tap", "twins", "soak", "job"];

let browser;
let bench;
before(async () => {
  bench = await collect("greenhouse-cracked-joint");
  browser = await browse();
});
after(async () => {
  await browser?.close();
  await bench?.end();
});

async function faults(page) {
  const found = await page.evaluate((rules) => window.axe.run(document, rules), RULES);
  return found.violations.filter((one) => ["serious", "critical"].includes(one.impact))
    .map((one) => `${one.id}: ${one.nodes.map((node) => node.html.slice(0, 120)).join(" | ")}`);
}

for (const view of ["desktop", "phone"]) {
  for (const scheme of ["light", "dark"]) {
    test(`no serious fault in any activity, ${view}, ${scheme}`, async () => {
      const page = await open(browser, bench.link, { view, scheme });
      await figuresShown(page);
      await page.evaluate(AXE);
      for (const activity of ACTIVITIES) {
        await page.evaluate((name) => { location.hash = name; }, activity);
        await page.waitForTimeout(150);
        assert.deepEqual(await faults(page), [], activity);
        await picture(page, `${activity}-${view}-${scheme}`);
      }
      await page.locator("#large").click();
      assert.deepEqual(await faults(page), [], "large");
      await picture(page, `large-${view}-${scheme}`);
      await page.context().close();
    });
  }
}

test("no serious fault while looking only, with the guard tripped, and with old figures", async (t) => {
  const tripped = await collect("greenhouse-shorted-stage", { kind: "free", more: ["--guard-current", "500mA"] });
  t.after(tripped.end);
  const page = await open(browser, tripped.link.split("#")[0]);
  await page.locator(".guard.tripped").waitFor({ timeout: 20_000 });
  assert.match(await page.locator(".guard").textContent(), /GUARD TRIPPED: .+ The supply relay is open/);
  await page.evaluate(AXE);
  assert.deepEqual(await faults(page), []);
  await picture(page, "guard-tripped");
  await tripped.kill();
  await page.waitForFunction(() => Number(document.querySelector(".channel").style.getPropertyValue("--fresh")) < 0.3, null, { timeout: 20_000 });
  assert.deepEqual(await faults(page), []);
  await page.context().close();
});

test("nothing is cut off sideways at 200 % and on a narrow phone", async () => {
  for (const viewport of [{ width: 720, height: 500 }, { width: 320, height: 640 }]) {
    const page = await open(browser, bench.link, { viewport });
    await figuresShown(page);
    for (const activity of ACTIVITIES) {
      await page.evaluate((name) => { location.hash = name; }, activity);
      const wider = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
      assert.ok(wider <= 0, `${activity} is ${wider} px too wide at ${viewport.width}`);
      const cut = await page.evaluate(() => [...document.querySelectorAll(".current, .state, .beside, .value")]
        .filter((one) => one.scrollWidth > one.clientWidth + 1 && one.clientWidth > 0).map((one) => one.textContent));
      assert.deepEqual(cut, [], `cut off at ${viewport.width}`);
    }
    await page.context().close();
  }
});

test("by keyboard alone every control is reached, and the focus is seen", async () => {
  const page = await open(browser, bench.link);
  await figuresShown(page);
  await page.evaluate(() => { location.hash = "job"; });
  const wanted = await page.evaluate(() => [...document.querySelectorAll("button, a[href], input, select, [tabindex='0']")]
    .filter((one) => one.checkVisibility() && !one.disabled).length);
  const met = new Set();
  await page.evaluate(() => { document.activeElement?.blur(); });
  for (let i = 0; i < wanted + 5; i++) {
    await page.keyboard.press("Tab");
    const focused = await page.evaluate(() => {
      const one = document.activeElement;
      if (!one || one === document.body) return null;
      one.dataset.met ??= String(Math.random());
      const style = getComputedStyle(one);
      return { key: one.dataset.met, outline: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2, html: one.outerHTML.slice(0, 90) };
    });
    if (!focused) continue;
    assert.ok(focused.outline, `no visible focus on ${focused.html}`);
    met.add(focused.key);
  }
  // Each happening adds a button meanwhile, so the count may only have grown.
  assert.ok(met.size >= wanted - 1, `${met.size} of ${wanted} reached`);
  await page.context().close();
});

test("who wants less motion gets no fading flash", async () => {
  const page = await open(browser, bench.link, { reducedMotion: "reduce" });
  const name = await page.evaluate(() => {
    const flash = document.querySelector("#flash");
    flash.className = "dropout shown";
    return getComputedStyle(flash).animationName;
  });
  assert.equal(name, "stand");
  await page.context().close();
});
