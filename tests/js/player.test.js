// The player with a clock and speakers that stand in for the browser's.

import assert from "node:assert/strict";
import { before, mock, test } from "node:test";

import { Bars } from "../../transcribe/page/static/music.js";
import { Player } from "../../transcribe/page/static/player.js";

const bars = new Bars({
  bpm: 120,
  meter: [4, 4],
  beats_sec: [0, 0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4],
  downbeats_sec: [0, 2, 4],
});

class Context {
  get currentTime() {
    return Date.now() / 1000;
  }

  async resume() {}
}

/** A player whose clicks and counts are written down. */
function listen() {
  const heard = { ticks: [], counts: [], times: [] };
  const player = new Player({
    bars,
    onTime: (sec) => heard.times.push(sec),
    onState: () => {},
    onCount: (number) => heard.counts.push(number),
  });
  Object.assign(player, {
    context: new Context(),
    setGains: () => {},
    tick: (when, strong) => heard.ticks.push([when, strong]),
  });
  return { player, heard };
}

/** Let some seconds go by. */
async function pass(sec) {
  for (let k = 0; k < sec * 100; k += 1) {
    mock.timers.tick(10);
    for (let turn = 0; turn < 5; turn += 1) await Promise.resolve();
  }
}

before(() => {
  mock.timers.enable({ apis: ["setTimeout", "Date"] });
  Object.assign(globalThis, {
    document: { hidden: false },
    requestAnimationFrame: (step) => setTimeout(step, 16),
  });
});

test("the count is seen and heard at the chosen speed, then the playhead goes through the bar", async () => {
  const { player, heard } = listen();
  player.at = 3.1;
  player.speed = 0.5;
  const begun = player.guide(4);
  await pass(4.2);
  assert.equal(await begun, true);
  assert.deepEqual(heard.counts, [1, 2, 3, 4, null]);
  assert.deepEqual(
    heard.ticks.map(([, strong]) => strong),
    [true, false, false, false],
  );
  for (let k = 1; k < 4; k += 1)
    assert.ok(Math.abs(heard.ticks[k][0] - heard.ticks[k - 1][0] - 1) < 0.02);
  assert.ok(Math.abs(heard.times[0] - 1.94) < 0.001, "it waits at the start of bar 2");
  await pass(1);
  assert.ok(Math.abs(player.now - 2.5) < 0.1, String(player.now));
  await pass(4);
  assert.equal(player.playing, false);
});

test("a count that is stopped leads to nothing and leaves the playhead at its bar", async () => {
  const { player, heard } = listen();
  player.at = 3.1;
  const begun = player.guide(4);
  await pass(0.9);
  player.pause();
  await pass(3);
  assert.equal(await begun, false);
  assert.deepEqual(heard.counts, [1, 2, null]);
  assert.equal(player.playing, false);
  assert.ok(Math.abs(player.now - 1.94) < 0.001);
});
