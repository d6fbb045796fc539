// Fills, hatches, edges and texts on the chart's canvas, in CSS pixels, at places of the time axis.
export class Pen {
  constructor(chart, app, colours) {
    this.scale = devicePixelRatio;
    this.pen = chart.ctx;
    this.box = { left: chart.bbox.left / this.scale, top: chart.bbox.top / this.scale, width: chart.bbox.width / this.scale,
      height: chart.bbox.height / this.scale };
    this.box.right = this.box.left + this.box.width;
    this.box.bottom = this.box.top + this.box.height;
    this.view = { x0: chart.scales.x.min, x1: chart.scales.x.max };
    this.colours = colours;
    this.app = app;
  }

  px(x) {
    return this.box.left + ((x - this.view.x0) / (this.view.x1 - this.view.x0)) * this.box.width;
  }

  within(draw) {
    const { pen, box } = this;
    pen.save();
    pen.scale(this.scale, this.scale);
    pen.beginPath();
    pen.rect(box.left, 0, box.width, box.bottom);
    pen.clip();
    pen.font = "600 13px system-ui, sans-serif";
    pen.textBaseline = "middle";
    draw();
    pen.restore();
  }

  fill(x0, x1, colour, alpha, top = this.box.top, bottom = this.box.bottom) {
    const left = Math.max(this.px(x0), this.box.left - 2), right = Math.min(this.px(x1), this.box.right + 2);
    this.pen.globalAlpha = alpha;
    this.pen.fillStyle = colour;
    this.pen.fillRect(left, top, Math.max(right - left, 0.7), bottom - top);
    this.pen.globalAlpha = 1;
  }

  hatch(x0, x1, colour, rising, top = this.box.top, bottom = this.box.bottom, gap = 9) {
    const { pen, box } = this, tall = bottom - top;
    const left = Math.max(this.px(x0), box.left), right = Math.min(this.px(x1), box.right);
    if (right - left < 1) return;
    pen.save();
    pen.beginPath();
    pen.rect(left, top, right - left, tall);
    pen.clip();
    pen.strokeStyle = colour;
    pen.globalAlpha = 0.55;
    pen.lineWidth = 1;
    pen.beginPath();
    for (let x = Math.floor((left - tall) / gap) * gap; x < right; x += gap) {
      pen.moveTo(x, rising ? bottom : top);
      pen.lineTo(x + tall, rising ? top : bottom);
    }
    pen.stroke();
    pen.restore();
  }

  edge(x, colour, width, dash, top = this.box.top) {
    const { pen } = this, at = this.px(x);
    if (at < this.box.left - 2 || at > this.box.right + 2) return;
    pen.strokeStyle = colour;
    pen.lineWidth = width;
    pen.setLineDash(dash);
    pen.beginPath();
    pen.moveTo(at, top);
    pen.lineTo(at, this.box.bottom);
    pen.stroke();
    pen.setLineDash([]);
  }

  // A text in the middle of what is in view of x0..x1, the longest of `texts` that has room.
  text(x0, x1, y, colour, ...texts) {
    const left = Math.max(this.px(x0), this.box.left), right = Math.min(this.px(x1), this.box.right);
    this.label((left + right) / 2, right - left, y, colour, ...texts);
  }

  label(middle_px, room_px, y, colour, ...texts) {
    const fits = texts.find((text) => this.pen.measureText(text).width + 4 <= room_px);
    if (fits === undefined) return;
    this.pen.fillStyle = colour;
    this.pen.textAlign = "center";
    this.pen.fillText(fits, middle_px, y);
  }
}
