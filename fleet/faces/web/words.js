// Every word of this page: a catalogue for the frame, and one for each page, gathered here.
// Words of the trade are those of the README; what a device or a person wrote is never put into these strings but
// shown beside them (see `told` in dom.js).

import { access } from "./words/access.js";
import { changes } from "./words/changes.js";
import { devices } from "./words/devices.js";
import { differences, plans } from "./words/differences.js";
import { states, shell, signIn, problems, lists } from "./words/frame.js";
import { position, group, plot } from "./words/position.js";
import { room } from "./words/room.js";
import { rooms } from "./words/rooms.js";
import { snapshots } from "./words/snapshots.js";
import { walk } from "./words/walk.js";

export { clock, dayOf, timeOfDay } from "./words/clock.js";
export { decibels, figure } from "./words/figures.js";

export const words = { states, shell, signIn, problems, lists, rooms, room, position, group, plot, differences, plans, walk, devices, changes, snapshots, access };
