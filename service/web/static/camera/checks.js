// From what is seen in one live picture to the one thing to say. Bounds are those by which the service refuses a photo
// (named beside each), drawn a little tighter, so that what is taken here is accepted there.
"use strict";

const Checks = (() => {
  const DARKEST = 50; // mean grey level; vision/arm/picture.py: 45
  const SMALLEST_PX_PER_MM = 0.34; // of a photo; calibration/quality.py: 0.3
  const STEEPEST_DEG = { arm: 32, instrument: 28 }; // vision/arm/judge.py: 40 from the wall's normal
  const LOWEST_DEG = -14; // vision/arm/judge.py: -20 and 22
  const HIGHEST_DEG = 16;
  const NOT_OUT_DEG = 55; // vision/arm/judge.py: 60
  const MOST_BENT_DEG = 17; // landmarks of a live picture are rougher; vision/arm/judge.py: 14.5 with their bias removed
  const MARGIN = 0.015; // of the picture's longer side, that head and hand must be inside by; our choice
  const VISIBLE = 0.5; // of the landmarks' own word; our choice
  const STILL = 0.004; // of the longer side, over STEADY_MS of page.js: a blur of some px in a photo; our choice
  const NEW_PLACE_MM = 180; // between two views: less than a step; our choice
  const HEAD_OVER_NOSE = 0.8; // crown above the nose, over nose above the shoulders: upright heads, by eye
  const TIP_OVER_KNUCKLE = 2.1; // fingertip from the wrist, over the index knuckle from it: a hand's proportions

  // landmarks by their numbers, left and right
  const NOSE = 0;
  const [SHOULDERS, ELBOWS, WRISTS, KNUCKLES, HIPS] = [11, 13, 15, 19, 23].map((left) => [left, left + 1]);
  const minus = (a, b) => [a[0] - b[0], a[1] - b[1]];
  const degrees = (radians) => (radians * 180) / Math.PI;

  // Which way is down for the child: along the trunk, since a phone may be held askew; else down the picture.
  function downOf(points) {
    const [high, low] = [SHOULDERS, HIPS].map((pair) =>
      [0, 1].map((axis) => (points[pair[0]][axis] + points[pair[1]][axis]) / 2),
    );
    const trunk = minus(low, high);
    const length = Math.hypot(...trunk);
    return HIPS.some((hip) => points[hip][2] < VISIBLE) || !length ? [0, 1] : trunk.map((each) => each / length);
  }

  // The arm that is held out, from landmarks [x, y, visibility] in px: its angles, and what must be in the picture.
  function armOf(points) {
    if (!points) return null;
    const reach = (side) => Math.abs(points[WRISTS[side]][0] - points[SHOULDERS[side]][0]);
    const side = reach(0) > reach(1) ? 0 : 1;
    const [shoulder, elbow, wrist, knuckle] = [SHOULDERS, ELBOWS, WRISTS, KNUCKLES].map((each) => points[each[side]]);
    const nose = points[NOSE];
    if ([nose, shoulder].some((each) => each[2] < VISIBLE)) return null;
    const [upper, fore, whole] = [minus(elbow, shoulder), minus(wrist, elbow), minus(wrist, shoulder)];
    const neck = (points[SHOULDERS[0]][1] + points[SHOULDERS[1]][1]) / 2 - nose[1];
    const hand = minus(knuckle, wrist);
    const down = downOf(points);
    const [drop, out] = [whole[0] * down[0] + whole[1] * down[1], whole[0] * down[1] - whole[1] * down[0]];
    return {
      elevationDeg: degrees(Math.atan2(-drop, Math.abs(out))),
      bendDeg: degrees(
        Math.abs(Math.atan2(upper[0] * fore[1] - upper[1] * fore[0], upper[0] * fore[0] + upper[1] * fore[1])),
      ),
      needed: [
        [nose[0], nose[1] - HEAD_OVER_NOSE * neck],
        [wrist[0] + TIP_OVER_KNUCKLE * hand[0], wrist[1] + TIP_OVER_KNUCKLE * hand[1]],
        shoulder,
      ],
      seen: [elbow, wrist].every((each) => each[2] >= VISIBLE),
      place: nose,
    };
  }

  const inside = (points, { width, height }, margin) =>
    points.every(([x, y]) => x > margin && y > margin && x < width - margin && y < height - margin);

  // The one thing to say: a code of the page's words, or "good". Earlier pictures of the last moment tell whether the
  // phone is held still: the one just before may be the same picture of the camera again.
  function hint(seen, kind, { needsSheet, earlier }) {
    const size = Math.max(seen.width, seen.height);
    if (seen.brightness < DARKEST) return "dark";
    if (needsSheet) {
      if (!seen.sheet) return "no_sheet";
      if (!inside(seen.sheet.corners, seen, 0)) return "sheet_cut";
      if (seen.sheet.pxPerMm < SMALLEST_PX_PER_MM) return "far";
      if (seen.sheet.tiltDeg > STEEPEST_DEG[kind]) return "tilted";
    }
    if (kind === "arm") {
      const arm = armOf(seen.person);
      if (!arm) return "no_person";
      if (!inside(arm.needed, seen, MARGIN * size)) return "step_back";
      if (Math.abs(arm.elevationDeg) > NOT_OUT_DEG) return "arm_out";
      if (arm.elevationDeg < LOWEST_DEG) return "arm_low";
      if (arm.elevationDeg > HIGHEST_DEG) return "arm_high";
      if (arm.bendDeg > MOST_BENT_DEG) return "elbow";
      if (!arm.seen) return "step_back";
    }
    if (!earlier.length || earlier.some((each) => moved(each, seen) > STILL * size)) return "still";
    return "good";
  }

  // How far the picture moved, px: by the sheet, which is sharp, else by the person.
  function moved(before, seen) {
    const marks = (each) =>
      each.sheet ? each.sheet.corners : each.person ? [each.person[NOSE], ...SHOULDERS.map((i) => each.person[i])] : [];
    const [then, now] = [marks(before), marks(seen)];
    if (!now.length || then.length !== now.length) return Infinity;
    return Math.max(...now.map((point, i) => Math.hypot(...minus(point, then[i]))));
  }

  // Whether a view is from a new place, as far as the sheet tells; without a sheet nobody knows.
  const isNew = (place, taken) =>
    taken.every((each) => !each || !place || Math.hypot(...place.map((v, i) => v - each[i])) > NEW_PLACE_MM);

  return { hint, isNew, armOf };
})();
globalThis.Checks = Checks;
