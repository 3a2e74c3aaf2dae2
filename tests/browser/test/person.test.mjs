// A person's whole path, with the keyboard wherever a hand would be on the board.

import assert from "node:assert/strict";
import { readFile } from "node:fs/promises";
import path from "node:path";
import { after, before, test } from "node:test";
import { browse, collect, figuresShown, open, picture } from "../bench.mjs";

let browser;
let bench;
let page;

before(async () => {
  bench = await collect("greenhouse-cracked-joint");
  browser = await browse();
  page = await open(browser, bench.link);
});
after(async () => {
  await browser?.close();
  await bench?.end();
});

const run = () => page.locator("#run").textContent();
const says = (selector, pattern, timeout = 15_000) => page.waitForFunction(([where, source]) =>
  new RegExp(source).test(document.querySelector(where)?.textContent ?? ""), [selector, pattern.source], { timeout });

test("the link opens the page, its token leaves the address, and figures with a word stand there", async () => {
  await figuresShown(page);
  assert.ok(!page.url().includes("token"), page.url());
  assert.match(await run(), /Run 1, tap and flex, recording/);
  assert.ok(await page.locator("#looking").isHidden());
  // The bench is switched on a second after it begins.
  await page.waitForFunction(() => [...document.querySelectorAll(".channel .beside")]
    .every((beside) => /2\d\.\d\d V/.test(beside.textContent)), null, { timeout: 15_000 });
  for (const card of await page.locator(".channel").all()) {
    assert.match(await card.locator(".current").textContent(), /\d (m|µ)?A$|\d(m|µ)?A$/);
    assert.match(await card.locator(".beside").textContent(), /2[0-9]\.\d\d V/);
    assert.match(await card.locator(".state").textContent(), /starting|changing|steady|intermittent/);
    assert.equal(await card.locator(".state svg path").count(), 1);
  }
  await picture(page, "person-1-opened");
});

test("a place is written down and tapped by key alone", async () => {
  await page.locator("#add-place input").focus();
  await page.keyboard.type("stage 2 bridge");
  await page.keyboard.press("Enter");
  await says("#tap-now", /Tap stage 2 bridge/);
  assert.equal(await page.locator(".place.chosen .name").textContent(), "stage 2 bridge");
  await page.keyboard.press("Space");
  await says("#happening-list", /tap stage 2 bridge/);
  await says("#places", /of \d/);
});

test("an event is seen, heard, and stands in the list", async () => {
  // Somebody taps this bench every four seconds; its joint answers.
  await page.waitForFunction(() => window.heard.some(({ figure }) => figure !== "onset"), null, { timeout: 60_000 });
  await says("#happening-list", /dropout|step|spike|chatter/);
  const heard = await page.evaluate(() => window.heard.find(({ figure }) => figure !== "onset"));
  assert.equal(heard.state, "running");
  assert.match(await page.locator("#flash").getAttribute("class"), /dropout|step|spike|chatter/);
  await picture(page, "person-2-event");
});

test("the trace zooms by key and wheel, pans, goes to an event and follows again", async () => {
  const words = () => page.locator("#trace-words").textContent();
  const length = async () => (await words()).split(" up to ")[0];
  await page.locator("#plot").focus();
  for (let i = 0; i < 3; i++) await page.keyboard.press("+");
  await says("#trace-words", /^1\.25 s/);
  await page.keyboard.press("ArrowLeft");
  await page.waitForFunction(() => document.querySelector("#follow").getAttribute("aria-pressed") === "false");
  const box = await page.locator("#plot").boundingBox();
  await page.mouse.move(box.x + box.width / 2, box.y + 60);
  await page.mouse.wheel(0, 900);
  await page.waitForTimeout(1700);
  assert.notEqual(await length(), "1.25 s");
  await page.keyboard.press("PageUp");
  await says("#trace-words", /[1-9]\d* events? in view/);
  await picture(page, "person-3-zoomed");
  await page.keyboard.press("End");
  await page.waitForFunction(() => document.querySelector("#follow").getAttribute("aria-pressed") === "true");
});

test("what is on the bench is written into the job, and the figures bear its names", async () => {
  await page.getByRole("link", { name: "Job" }).click();
  await page.getByText("Fill in what is empty").click();
  await page.getByLabel("Unit").fill("greenhouse vent controller");
  await page.getByLabel("Complaint").fill("stage 2 stops now and then");
  await page.getByLabel("Channel 2 is on").fill("stage 2");
  await page.getByRole("button", { name: "Write into the job" }).click();
  await says("#job-fields", /greenhouse vent controller.*stage 2 stops/);
  assert.ok(await page.getByLabel("Unit").isHidden(), "what has words is not asked for again");
  const file = await readFile(path.join(bench.folder, "job.toml"), "utf8");
  assert.match(file, /^unit = "greenhouse vent controller"$/m);
  assert.match(file, /^channels = \["", "stage 2"\]$/m);
  await says(".channel.two h3", /stage 2/);
});

test("an alteration is written down and ticked, in the page and on the disk", async () => {
  // What cannot be done is said where it is seen, however far down one is.
  await page.locator("#close-job").scrollIntoViewIfNeeded();
  await page.locator("#close-job").click();
  await page.locator("#sure").getByRole("button", { name: "Yes" }).click();
  await says("#trouble", /a run is being recorded/);
  const told = await page.locator("#trouble").boundingBox();
  assert.ok(told.y >= 0 && told.y + told.height < 1000, `said at ${told.y}`);
  await page.getByLabel("What, and where").fill("cut track at R12");
  await page.getByLabel("Why").fill("for the shunt");
  await page.getByRole("button", { name: "Write down, before doing it" }).click();
  await says("#still-altered", /Still altered: 1/);
  await page.locator("#alterations .beside-tick").fill("soldered");
  await page.locator("#alterations [type=checkbox]").check();
  await says("#still-altered", /Everything is put back/);
  await says("#alterations", /put back, soldered/);
  const file = await readFile(path.join(bench.folder, "alterations.csv"), "utf8");
  assert.match(file, /1,[^,]*,made,cut-track,cut track at R12,for the shunt/);
  assert.match(file, /1,[^,]*,restored.*soldered/);
  await page.locator("#add-note input").fill("lid off");
  await page.keyboard.press("Enter");
  await says("#notes", /lid off/);
});

test("a soak is begun behind its caution, and a reload in the middle finds it going on", async () => {
  await page.getByRole("link", { name: "Soak" }).click();
  assert.match(await page.locator("#begin-soak .caution").textContent(), /fire/);
  await page.getByLabel("Hours").fill("0.5");
  await page.getByRole("button", { name: "Begin the soak" }).click();
  await page.locator("#sure").getByRole("button", { name: "Yes" }).click();
  await says("#run", /Run 2, soak/, 30_000);
  await says("#soak-figures", /0:29:\d\d left/);
  await page.reload();
  await figuresShown(page);
  await says("#run", /Run 2, soak/);
  await says("#soak-figures", /0:29:\d\d left/);
  assert.ok(await page.locator("#looking").isHidden(), "the token outlives a reload");
  await picture(page, "person-4-soak");
});

test("the run is stopped, and its trace can still be looked at", async () => {
  await page.locator("#stop-run").click();
  await page.locator("#sure").getByRole("button", { name: "Yes" }).click();
  await says("#run", /Standby/, 30_000);
  await page.getByRole("link", { name: "Job" }).click();
  await says("#runs", /1 {2}tap/);
  await page.locator("#runs li").last().getByRole("button", { name: "Show" }).click();
  await says("#trace-heading", /Trace of run 1/);
  await says("#trace-words", /Channel 1: [\d.]+/);
  await picture(page, "person-5-standby");
});

test("each run that is over stands with what was found in it, and the report opens", async () => {
  await page.waitForFunction(() => [...document.querySelectorAll("#runs li")].every((run) => run.querySelector(".found-line")), null, { timeout: 30_000 });
  assert.match(await page.locator("#runs li").last().locator(".found-line").textContent(), /no place accused|suspect|this joint/);
  assert.match(await page.locator("#runs li").first().locator(".found-line").textContent(), /not enough data/);
  const [report] = await Promise.all([page.context().waitForEvent("page"), page.getByRole("link", { name: "Report of run 1" }).click()]);
  await report.waitForLoadState();
  assert.match(await report.locator("#run-1 h3").textContent(), /Run 1/);
  assert.match(await report.textContent("body"), /greenhouse vent controller/);
  await report.close();
});

test("the job is closed with a remark, and the page says where the next one goes", async () => {
  await page.locator("#close-job").click();
  await page.locator("#sure").getByLabel("Remark").fill("mended");
  await page.locator("#sure").getByRole("button", { name: "Yes" }).click();
  await says("#job-fields", /mended/);
  assert.match(await page.locator("#job-closed").textContent(), /Another unit has a job of its own/);
  await picture(page, "person-6-closed");
});

test("nothing was complained of in the browser", () => {
  assert.deepEqual(page.complaints, []);
});
