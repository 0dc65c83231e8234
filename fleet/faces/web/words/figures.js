// Numbers as they are said.

/** A number with at most one decimal and a real minus: "−6.5". */
export function figure(value) {
  const rounded = Math.round(value * 10) / 10;
  return String(Object.is(rounded, -0) ? 0 : rounded).replace("-", "\u2212");
}

/** A level: "−6.5 dB". */
export function decibels(value) {
  return `${figure(value)}\u00a0dB`;
}
