// Moments on the venue's clock. Where no venue is loaded they are those of UTC, which is then said.

/** A time of day, or a day and time where it is not today. */
export function clock(at, zone, now = new Date()) {
  const when = new Date(at);
  if (Number.isNaN(when.getTime())) return "";
  const day = dayOf(when, zone);
  const time = format(zone, { timeStyle: "short" }).format(when);
  return `${day === dayOf(now, zone) ? "" : `${day} `}${time}${which(when, zone)}`;
}

/** The day of a moment. */
export function dayOf(at, zone) {
  return format(zone, { dateStyle: "short" }).format(new Date(at));
}

/** A time of day to the second, or with so many digits more. */
export function timeOfDay(at, zone, digits = 0) {
  const style = { hour: "2-digit", minute: "2-digit", second: "2-digit", ...(digits ? { fractionalSecondDigits: digits } : {}) };
  const when = new Date(at);
  return `${format(zone, style).format(when).replace(",", ".")}${which(when, zone)}`;
}

/** The zone, behind a time that the clock shows twice since it is put back, and where there is no venue. */
function which(when, zone) {
  if (!zone) return " UTC";
  const wall = format(zone, { dateStyle: "short", timeStyle: "medium" });
  const twice = [-60, -30, 30, 60].some((minutes) => wall.format(when.getTime() + minutes * 60_000) === wall.format(when));
  if (!twice) return "";
  return ` ${format(zone, { timeZoneName: "short" }).formatToParts(when).find(({ type }) => type === "timeZoneName").value}`;
}

const formats = new Map();

/** A format of this zone and style; making one takes longer than using it. */
function format(zone, style) {
  const key = JSON.stringify([zone, style]);
  if (!formats.has(key)) formats.set(key, new Intl.DateTimeFormat("sv", { timeZone: zone || "UTC", ...style }));
  return formats.get(key);
}
