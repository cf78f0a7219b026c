// A first shade: the light is dragged over the page, and falls on the figures' relief at once.

import { numbers } from "./numbers.js";
import { byTable } from "./tiles.js";

const [DARK, BRIGHT] = [[38, 30, 66], [255, 250, 232]];

const eased = (value, [from, full, most]) => {
  const t = Math.max(0, Math.min(1, (value - from) / (full - from)));
  return most * t * t * (3 - 2 * t);
};

/** Where the light comes from, in degrees clockwise from above, for a drag from lamp to drawing. */
export function direction([x0, y0], [x1, y1]) {
  const degrees = (Math.atan2(x0 - x1, y1 - y0) * 180) / Math.PI;
  return Math.round((degrees + 360) % 360);
}

/** A layer's change that lays shade and light over a relief (two bytes a pixel: x and y). */
export function lightFrom(degrees) {
  const table = tableOf(degrees);
  return {
    key: () => `light ${degrees}`,
    paint: (tile) => byTable(tile, table),
  };
}

/** What each of the 65536 ways a surface can look is covered with, as RGBA. */
function tableOf(degrees) {
  const angle = (degrees * Math.PI) / 180;
  const lamp = numbers.lamp;
  const [across, lz] = [Math.cos(lamp.elevation_rad), Math.sin(lamp.elevation_rad)];
  const [lx, ly] = [Math.sin(angle) * across, -Math.cos(angle) * across];
  const table = new Uint32Array(65536);
  for (let high = 1; high < 256; high++)
    for (let low = 1; low < 256; low++) {
      const [x, y] = [(low - 128) / 127, (high - 128) / 127];
      const rest = 1 - x * x - y * y;
      if (rest < 0) continue;
      const bright = x * lx + y * ly + Math.sqrt(rest) * lz - lz;
      const [shade, light] = [eased(-bright, lamp.shade), eased(bright, lamp.light)];
      const [colour, alpha] = shade > light ? [DARK, 0.72 * shade] : [BRIGHT, light];
      if (alpha >= 1) table[(high << 8) | low] = ((Math.round(alpha) << 24) | (colour[2] << 16) | (colour[1] << 8) | colour[0]) >>> 0;
    }
  return table;
}

/** The arrow of the light, from the lamp to where it falls. */
export function drawArrow(ctx, k, [x0, y0], [x1, y1]) {
  const length = Math.hypot(x1 - x0, y1 - y0);
  if (!length) return;
  const [dx, dy] = [(x1 - x0) / length, (y1 - y0) / length];
  const tip = 16 / k;
  for (const [width, colour] of [[7, "#fff"], [3, "#1d5266"]]) {
    ctx.lineWidth = width / k;
    ctx.strokeStyle = colour;
    ctx.beginPath();
    ctx.arc(x0, y0, 9 / k, 0, 7);
    ctx.moveTo(x0 + (9 / k) * dx, y0 + (9 / k) * dy);
    ctx.lineTo(x1, y1);
    ctx.moveTo(x1 - tip * (dx + 0.6 * dy), y1 - tip * (dy - 0.6 * dx));
    ctx.lineTo(x1, y1);
    ctx.lineTo(x1 - tip * (dx - 0.6 * dy), y1 - tip * (dy + 0.6 * dx));
    ctx.stroke();
  }
}
