// Where a swing stands between its positions. 'u' counts positions: 1 is P1, 6.5 halfway from P6 to P7.

export class Phase {
  // positions: {P1: {s}, ...}; only: names that both swings have, so that fractions mean the same.
  constructor(positions, only) {
    this.stops = Object.keys(positions)
      .filter(name => !only || only.has(name))
      .map(name => ({ name, u: Number(name.slice(1)), s: positions[name].s }))
      .sort((a, b) => a.u - b.u);
  }

  get usable() { return this.stops.length >= 2; }

  // Outside the first and last stop time runs on at a plain second a unit.
  toS(u) {
    const stops = this.stops;
    if (!stops.length) return u;
    if (u <= stops[0].u) return stops[0].s + (u - stops[0].u);
    for (let k = 1; k < stops.length; k += 1) {
      if (u <= stops[k].u) {
        const share = (u - stops[k - 1].u) / (stops[k].u - stops[k - 1].u);
        return stops[k - 1].s + share * (stops[k].s - stops[k - 1].s);
      }
    }
    const last = stops[stops.length - 1];
    return last.s + (u - last.u);
  }

  toU(s) {
    const stops = this.stops;
    if (!stops.length) return s;
    if (s <= stops[0].s) return stops[0].u + (s - stops[0].s);
    for (let k = 1; k < stops.length; k += 1) {
      if (s <= stops[k].s) {
        const share = (s - stops[k - 1].s) / (stops[k].s - stops[k - 1].s);
        return stops[k - 1].u + share * (stops[k].u - stops[k - 1].u);
      }
    }
    const last = stops[stops.length - 1];
    return last.u + (s - last.s);
  }
}

export function nearest(times, s) {
  let low = 0, high = times.length - 1;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (times[middle] <= s) low = middle; else high = middle;
  }
  return s - times[low] <= times[high] - s ? low : high;
}
