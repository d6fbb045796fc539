// The chart: a stretch of the axis in view, its lines fetched anew for each view, old ones stretched meanwhile.
import uPlot from "/static/vendor/uplot/uPlot.esm.js";
import { above, below, LANES_PX } from "./bands.js";
import { newest, series } from "./net.js";

const LEAST_S = 0.01, MARGIN = 0.02;

export class Plot {
  constructor(place, app, failed) {
    this.place = place;
    this.app = app;
    this.view = { x0: 0, x1: 1 };
    this.times = []; // [a view was wanted, it stood on the screen], performance.now
    this.drawn = { n: 0, points: 0, first_ms: null };
    this.colours = {};
    this.waiting = null;
    this.fetching = newest(({ x0, x1, n }) => series(x0, x1, n), (data, wanted) => this.take(data, wanted), failed);
    this.chart = new uPlot(this.options(), [[0, 1], [null, null], [null, null]], place);
    new ResizeObserver(() => this.resize()).observe(place);
    for (const query of ["(prefers-color-scheme: dark)", "(prefers-contrast: more)"]) {
      matchMedia(query).addEventListener("change", () => this.recolour());
    }
    this.recolour();
  }

  options() {
    const line = (name, width) => ({ stroke: () => this.colours[name], width, spanGaps: false, points: { fill: () => this.colours.sheet } });
    const axis = { stroke: () => this.colours.soft, font: "13px system-ui, sans-serif", grid: { stroke: () => this.colours.hair, width: 1 },
      ticks: { stroke: () => this.colours.hair, width: 1 } };
    const step = () => this.app.axis.step(this.view.x1 - this.view.x0, this.width());
    return {
      width: Math.max(50, this.place.clientWidth),
      height: Math.max(50, this.place.clientHeight),
      padding: [LANES_PX, 8, 0, 0],
      legend: { show: false },
      cursor: { show: false },
      scales: {
        x: { time: false, auto: false, min: 0, max: 1 },
        y: { range: (_, low, high) => roomy(low, high) },
      },
      axes: [
        { ...axis, size: 30, splits: (_, __, from, to) => (this.app.axis ? this.app.axis.ticks(from, to, step()) : []),
          values: (_, at) => at.map((x) => this.app.axis.label(x, step())) },
        { ...axis, size: 54, values: (_, at) => at.map((flow) => String(flow).replace("-", "\u2212")) },
      ],
      series: [{}, line("taps", 1.25), line("vane", 2)], // the one with less noise on top,
      hooks: {
        drawClear: [(chart) => this.app.axis && below(chart, this.app, this.colours)],
        draw: [(chart) => {
          if (this.app.axis) above(chart, this.app, this.colours);
          this.isDrawn();
        }],
      },
    };
  }

  // ---- the view

  width() {
    return Math.max(1, this.chart.bbox.width / devicePixelRatio);
  }

  limits() {
    const { start, stop } = this.app.axis;
    const margin = MARGIN * Math.max(1, stop - start);
    return [start - margin, stop + margin];
  }

  whole() {
    this.show(...this.limits());
  }

  show(x0, x1) {
    const [least, most] = this.limits();
    const width = Math.min(Math.max(x1 - x0, LEAST_S), most - least);
    const from = Math.min(Math.max((x0 + x1 - width) / 2, least), most - width);
    this.view = { x0: from, x1: from + width };
    this.wanted_ms ??= performance.now();
    this.frame ??= requestAnimationFrame(() => this.apply());
  }

  zoom(factor, at = (this.view.x0 + this.view.x1) / 2) {
    const { x0, x1 } = this.view;
    const width = Math.max((x1 - x0) * factor, LEAST_S);
    const share = (at - x0) / (x1 - x0);
    this.show(at - share * width, at + (1 - share) * width);
  }

  pan(by_s) {
    this.show(this.view.x0 + by_s, this.view.x1 + by_s);
  }

  apply() {
    this.frame = null;
    this.chart.setScale("x", { min: this.view.x0, max: this.view.x1 });
    this.app.moved();
    this.fetch();
  }

  fetch() {
    const asked_ms = this.wanted_ms ?? performance.now();
    this.wanted_ms = null;
    this.fetching.ask({ ...this.view, n: Math.round(this.width() * devicePixelRatio), asked_ms });
  }

  take(data, wanted) {
    this.waiting = wanted.asked_ms;
    this.drawn.points = data[0].length;
    if (!data[0].length) data = [[wanted.x0, wanted.x1], [null, null], [null, null]];
    this.dash(data[0].length < 2 * wanted.n);
    this.chart.setData(data);
  }

  // Dashes tell the lines apart without colour; over dense data they would only be noise.
  dash(sparse) {
    const taps = this.chart.series[1];
    taps.dash = sparse ? [7 * devicePixelRatio, 4 * devicePixelRatio] : undefined;
    taps._paths = null;
  }

  isDrawn() {
    this.drawn.n++;
    if (this.waiting === null) return;
    const wanted_ms = this.waiting;
    this.waiting = null;
    // Once the browser has put it on the screen.
    requestAnimationFrame(() => setTimeout(() => {
      if (this.drawn.points && this.drawn.first_ms === null) this.drawn.first_ms = performance.now();
      this.times.push([wanted_ms, performance.now()]);
    }));
  }

  redraw() {
    this.chart.redraw(false);
  }

  toggle(index, on) {
    this.chart.setSeries(index, { show: on });
  }

  resize() {
    const width = this.place.clientWidth, height = this.place.clientHeight;
    if (width < 50 || height < 50) return;
    this.chart.setSize({ width, height });
    this.app.moved();
    if (this.app.axis) this.fetch();
  }

  recolour() {
    const style = getComputedStyle(document.documentElement);
    for (const name of ["ink", "soft", "hair", "sheet", "vane", "taps", "accent", "warn", "alarm"]) {
      this.colours[name] = style.getPropertyValue(`--${name}`).trim();
    }
    this.chart.redraw(false, true);
  }

  // ---- places on the screen, in CSS pixels from the chart's left edge

  px(x) {
    return (this.chart.bbox.left / devicePixelRatio) + ((x - this.view.x0) / (this.view.x1 - this.view.x0)) * this.width();
  }

  x(px) {
    return this.view.x0 + ((px - this.chart.bbox.left / devicePixelRatio) / this.width()) * (this.view.x1 - this.view.x0);
  }

  // What the two lines say at x: the nearest point within 3 pixels.
  at(x) {
    const [xs, taps, vane] = this.chart.data;
    let low = 0, high = xs.length - 1;
    while (low < high) {
      const mid = (low + high) >> 1;
      if (xs[mid] < x) low = mid + 1;
      else high = mid;
    }
    if (low > 0 && x - xs[low - 1] < xs[low] - x) low--;
    const near = Math.abs(xs[low] - x) <= (3 * (this.view.x1 - this.view.x0)) / this.width();
    return near ? { vane: vane[low], taps: taps[low] } : { vane: null, taps: null };
  }
}

// Zero is always in view: how large a flow is, is seen without reading the axis.
function roomy(low, high) {
  if (low === null || high === null) return [0, 10];
  const least = Math.min(0, low), most = Math.max(0, high);
  const room = 0.06 * Math.max(most - least, 1);
  return [least < 0 ? least - room : 0, most > 0 ? most + room : room];
}
