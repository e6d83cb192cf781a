// Reads the printed sheet in a live picture: which markers, where the page lies, how large and how tilted it is seen.
// Markers are dark islands in the white squares of a chessboard; each is read by correlating its 36 modules with those of
// all markers in four turns, as the service does (calibration/markers.py), whose table it is given.
"use strict";

const SheetReader = (() => {
  const MODULES = 6;
  const READING = 0.7; // least correlation; the service takes 0.62 and has the whole board to check it by
  const LEAST_SIDE_PX = 7; // a module of little more than one pixel
  const DARKER = 0.9; // of the mean about a pixel, from which it is dark: our choice, for print in half shadow
  const FEWEST_MARKERS = 3; // on one plane together: a pattern that looks like one marker does not look like three
  const AGREES = 0.2; // how far a marker's corners may be from where the others put them, in its sides

  // The mean grey level about each pixel by sums over the picture (an integral image), and what is darker.
  function darkPixels(grey, width, height, sums) {
    const radius = Math.max(7, Math.round(Math.max(width, height) / 60));
    const row = width + 1;
    for (let y = 0; y < height; y++) {
      let sum = 0;
      for (let x = 0, at = y * width, to = (y + 1) * row + 1; x < width; x++, at++, to++) {
        sum += grey[at];
        sums[to] = sums[to - row] + sum;
      }
    }
    const dark = new Uint8Array(width * height);
    for (let y = 0; y < height; y++) {
      const top = Math.max(0, y - radius) * row;
      const bottom = Math.min(height, y + radius + 1) * row;
      const high = bottom / row - top / row;
      for (let x = 0, at = y * width; x < width; x++, at++) {
        const left = Math.max(0, x - radius);
        const right = Math.min(width, x + radius + 1);
        const sum = sums[bottom + right] - sums[bottom + left] - sums[top + right] + sums[top + left];
        if (grey[at] * high * (right - left) < sum * DARKER) dark[at] = 1;
      }
    }
    return dark;
  }

  // Islands of dark pixels that touch along a side, as the ends of their rows.
  function islands(dark, width, height, largestPx) {
    const parent = [];
    const boxes = [];
    const find = (i) => {
      while (parent[i] !== i) i = parent[i] = parent[parent[i]];
      return i;
    };
    const runs = []; // start, end, row, island
    let above = 0;
    let aboveEnd = 0;
    for (let y = 0; y < height; y++) {
      const first = runs.length;
      for (let x = 0, at = y * width; x < width; ) {
        if (!dark[at + x]) {
          x++;
          continue;
        }
        const start = x;
        while (x < width && dark[at + x]) x++;
        let island = -1;
        for (let i = above; i < aboveEnd; i += 4) {
          if (runs[i + 1] <= start) above = i;
          if (runs[i] >= x) break;
          if (runs[i + 1] > start) {
            const other = find(runs[i + 3]);
            if (island < 0) island = other;
            else if (other !== island) {
              const [into, from] = [boxes[island], boxes[other]];
              into[0] = Math.min(into[0], from[0]);
              into[1] = Math.min(into[1], from[1]);
              into[2] = Math.max(into[2], from[2]);
              into[3] = Math.max(into[3], from[3]);
              into[4] += from[4];
              parent[other] = island;
            }
          }
        }
        if (island < 0) {
          island = parent.length;
          parent.push(island);
          boxes.push([start, y, x, y + 1, 0]);
        }
        const box = boxes[island];
        box[0] = Math.min(box[0], start);
        box[2] = Math.max(box[2], x);
        box[3] = y + 1;
        box[4] += x - start;
        runs.push(start, x, y, island);
      }
      above = first;
      aboveEnd = runs.length;
    }
    const ends = new Map();
    for (let i = 0; i < runs.length; i += 4) {
      const island = find(runs[i + 3]);
      const [left, top, right, bottom, area] = boxes[island];
      const [wide, high] = [right - left, bottom - top];
      if (wide < LEAST_SIDE_PX || high < LEAST_SIDE_PX || wide > largestPx || high > largestPx) continue;
      if (wide > 3 * high || high > 3 * wide || area < 0.2 * wide * high) continue;
      if (!ends.has(island)) ends.set(island, []);
      const [start, end, y] = [runs[i], runs[i + 1], runs[i + 2]];
      ends.get(island).push([start, y], [end, y], [start, y + 1], [end, y + 1]);
    }
    return [...ends.values()];
  }

  // The four corners of an island that may be a square in perspective, clockwise.
  function quadrangle(points) {
    const farthest = (measure) => points.reduce((best, each) => (measure(each) > measure(best) ? each : best));
    const middle = [0, 1].map((axis) => points.reduce((sum, each) => sum + each[axis], 0) / points.length);
    const apart = (a) => (b) => (a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2;
    const first = farthest(apart(middle));
    const third = farthest(apart(first));
    const beside = (point) =>
      (third[0] - first[0]) * (point[1] - first[1]) - (third[1] - first[1]) * (point[0] - first[0]);
    const fourth = farthest(beside);
    const second = farthest((point) => -beside(point));
    const quad = [first, second, third, fourth];
    const area = (beside(fourth) - beside(second)) / 2;
    const sides = quad.map((each, i) => Math.sqrt(apart(each)(quad[(i + 1) % 4])));
    const longest = Math.max(...sides);
    if (Math.min(...sides) < 0.4 * longest || area < 0.35 * longest * longest) return null;
    return { quad, side: Math.sqrt(area) };
  }

  function templates(table) {
    return table.modules.flatMap((bits, marker) =>
      [0, 1, 2, 3].map((turn) => {
        // the marker turned clockwise by quarter turns
        const cells = Array.from({ length: MODULES * MODULES }, (_, at) => {
          let [right, down] = [at % MODULES, Math.floor(at / MODULES)];
          for (let i = 0; i < turn; i++) [right, down] = [down, MODULES - 1 - right];
          return Number(bits[down * MODULES + right]);
        });
        return { marker, turn, cells: normal(Float32Array.from(cells)) };
      }),
    );
  }

  // Mean 0 and norm 1; null where there is nothing to read.
  function normal(values) {
    const mean = values.reduce((sum, each) => sum + each, 0) / values.length;
    const norm = Math.sqrt(values.reduce((sum, each) => sum + (each - mean) ** 2, 0));
    return norm > 1e-6 ? values.map((each) => (each - mean) / norm) : null;
  }

  function bilinear(grey, width, height, x, y) {
    const px = Math.min(Math.max(x - 0.5, 0), width - 1.001);
    const py = Math.min(Math.max(y - 0.5, 0), height - 1.001);
    const [left, top] = [Math.floor(px), Math.floor(py)];
    const [right, down] = [px - left, py - top];
    const at = top * width + left;
    return (
      (grey[at] * (1 - right) + grey[at + 1] * right) * (1 - down) +
      (grey[at + width] * (1 - right) + grey[at + width + 1] * right) * down
    );
  }

  function read(grey, width, height, quad, known) {
    const [a, b, c, d] = quad;
    const seen = new Float32Array(MODULES * MODULES);
    for (let at = 0; at < seen.length; at++) {
      const right = ((at % MODULES) + 0.5) / MODULES;
      const down = (Math.floor(at / MODULES) + 0.5) / MODULES;
      const [x, y] = [0, 1].map(
        (axis) =>
          (a[axis] * (1 - right) + b[axis] * right) * (1 - down) + (d[axis] * (1 - right) + c[axis] * right) * down,
      );
      seen[at] = bilinear(grey, width, height, x, y);
    }
    const cells = normal(seen);
    if (!cells) return null;
    let [best, score] = [null, READING];
    for (const each of known) {
      let sum = 0;
      for (let i = 0; i < cells.length; i++) sum += cells[i] * each.cells[i];
      if (sum > score) [best, score] = [each, sum];
    }
    return best && { marker: best.marker, turn: best.turn };
  }

  // The projective map from mm of the page to px through pairs of places, by least squares (eight unknowns).
  function plane(places) {
    const normalMatrix = Array.from({ length: 8 }, () => new Float64Array(9));
    for (const [[X, Y], [x, y]] of places) {
      for (const line of [
        [X, Y, 1, 0, 0, 0, -X * x, -Y * x, x],
        [0, 0, 0, X, Y, 1, -X * y, -Y * y, y],
      ]) {
        for (let i = 0; i < 8; i++) for (let k = 0; k < 9; k++) normalMatrix[i][k] += line[i] * line[k];
      }
    }
    for (let i = 0; i < 8; i++) {
      let pivot = i;
      for (let k = i + 1; k < 8; k++) if (Math.abs(normalMatrix[k][i]) > Math.abs(normalMatrix[pivot][i])) pivot = k;
      [normalMatrix[i], normalMatrix[pivot]] = [normalMatrix[pivot], normalMatrix[i]];
      if (Math.abs(normalMatrix[i][i]) < 1e-12) return null;
      for (let k = 0; k < 8; k++) {
        if (k === i) continue;
        const share = normalMatrix[k][i] / normalMatrix[i][i];
        for (let j = i; j < 9; j++) normalMatrix[k][j] -= share * normalMatrix[i][j];
      }
    }
    return [...normalMatrix.map((line, i) => line[8] / line[i]), 1];
  }
  function through(map, [X, Y]) {
    const under = map[6] * X + map[7] * Y + map[8];
    return [(map[0] * X + map[1] * Y + map[2]) / under, (map[3] * X + map[4] * Y + map[5]) / under];
  }

  // The sheet that most markers speak for; those that the others contradict are left out.
  function agreed(markers, table) {
    const bySheet = new Map();
    for (const each of markers) {
      const sheet = Math.floor(each.marker / table.perSheet);
      if (!bySheet.has(sheet)) bySheet.set(sheet, []);
      bySheet.get(sheet).push(each);
    }
    let best = null;
    for (const [number, found] of bySheet) {
      const sheet = table.sheets[number];
      const pairs = found.map(({ marker, turn, quad, side }) => {
        const box = sheet.markers[marker % table.perSheet];
        return { side, places: box.map((place, corner) => [place, quad[(corner + turn) % 4]]) };
      });
      let left = pairs;
      for (let tries = 0; tries < 4 && left.length >= FEWEST_MARKERS; tries++) {
        const map = plane(left.flatMap((each) => each.places));
        if (!map) break;
        const off = left.map(({ side, places }) =>
          Math.max(...places.map(([mm, px]) => Math.hypot(...through(map, mm).map((v, i) => v - px[i])) / side)),
        );
        const worst = Math.max(...off);
        if (worst < AGREES) {
          if (!best || left.length > best.count) best = { sheet, map, count: left.length };
          break;
        }
        left = left.filter((_, i) => off[i] < worst);
      }
    }
    return best;
  }

  class Reader {
    constructor(table) {
      this.table = table;
      this.known = templates(table);
    }

    // The sheet in a grey picture, null where none is read: page corners in px, px per mm, tilt, map from mm to px.
    find(grey, width, height) {
      if (!this.sums || this.sums.length !== (width + 1) * (height + 1)) {
        this.sums = new Uint32Array((width + 1) * (height + 1));
      }
      const dark = darkPixels(grey, width, height, this.sums);
      const markers = [];
      for (const points of islands(dark, width, height, Math.max(width, height) / 6)) {
        const square = quadrangle(points);
        const found = square && read(grey, width, height, square.quad, this.known);
        if (found) markers.push({ ...square, ...found });
      }
      const best = agreed(markers, this.table);
      if (!best) return null;
      const { map, sheet, count } = best;
      const step = 1; // mm
      const [origin, across, along] = [
        [0, 0],
        [step, 0],
        [0, step],
      ].map((place) => through(map, place));
      const [a, c] = [across[0] - origin[0], across[1] - origin[1]];
      const [b, d] = [along[0] - origin[0], along[1] - origin[1]];
      const half = (a * a + b * b + c * c + d * d) / 2;
      const turn = Math.sqrt(Math.max(0, half * half - (a * d - b * c) ** 2));
      const [larger, smaller] = [Math.sqrt(half + turn), Math.sqrt(Math.max(0, half - turn))];
      return {
        name: sheet.name,
        map,
        count,
        corners: sheet.page.map((place) => through(map, place)),
        pxPerMm: Math.sqrt(larger * smaller),
        tiltDeg: (Math.acos(Math.min(1, smaller / larger)) * 180) / Math.PI, // seen from afar: a small sheet
      };
    }
  }

  // Where the camera is, mm in the page's frame, if its focal length is `focal` px and it looks through the middle.
  function cameraPlace(map, width, height, focal) {
    const column = (i) => [
      (map[i] - (width / 2) * map[6 + i]) / focal,
      (map[3 + i] - (height / 2) * map[6 + i]) / focal,
      map[6 + i],
    ];
    const length = (v) => Math.hypot(...v);
    let [right, up, shift] = [0, 1, 2].map(column);
    const scale = 2 / (length(right) + length(up));
    [right, up, shift] = [right, up, shift].map((v) => v.map((each) => each * scale));
    const unit = (v) => v.map((each) => each / length(v));
    const dot = (u, v) => u.reduce((sum, each, i) => sum + each * v[i], 0);
    const x = unit(right);
    const y = unit(up.map((each, i) => each - dot(up, x) * x[i]));
    const z = [x[1] * y[2] - x[2] * y[1], x[2] * y[0] - x[0] * y[2], x[0] * y[1] - x[1] * y[0]];
    return [x, y, z].map((axis) => -dot(axis, shift));
  }

  return { Reader, cameraPlace };
})();
globalThis.SheetReader = SheetReader;
