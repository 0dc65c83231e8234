// Which positions somebody chose to put right. Coherent sets go together, and over several rooms whole rooms.

import { words } from "../words.js";

/** What may be chosen is what differs. `changed` is called whenever another position is chosen. */
export class Chosen {
  constructor(found, rooms, changed) {
    this._changed = changed;
    this._chosen = new Set();
    this._places = new Map();
    this._listeners = [];
    this.alsoAgreed = false;
    this._notChecked = new Set(found.not_checked.filter((one) => one.reason !== "life_safety").map((one) => one.room));
    for (const { room, position } of found.differences) {
      if (!this._places.has(room)) this._places.set(room, new Set());
      this._places.get(room).add(position);
    }
    this._sets = new Map();
    for (const room of rooms) {
      for (const name of room.coherent_sets ?? []) {
        for (const position of room.groups[name]) this._add(keyOf(room.room, position), { room: room.room, name, positions: room.groups[name] });
      }
    }
  }

  /** Names of the coherent sets of a position. */
  setsOf(room, position) {
    return (this._sets.get(keyOf(room, position)) ?? []).map((one) => one.name);
  }

  has(room, position) {
    return this._chosen.has(keyOf(room, position));
  }

  /** Whether all, some or none that differs in a room is chosen. */
  ofRoom(room) {
    const positions = [...(this._places.get(room) ?? [])];
    const count = positions.filter((position) => this.has(room, position)).length;
    return count === 0 ? "none" : count === positions.length ? "all" : "some";
  }

  choose(room, position, wanted) {
    for (const one of this._together(room, position)) this._chosen[wanted ? "add" : "delete"](keyOf(room, one));
    this._tell();
  }

  chooseRoom(room, wanted) {
    for (const position of this._places.get(room) ?? []) this._chosen[wanted ? "add" : "delete"](keyOf(room, position));
    this._tell();
  }

  /** Be told whenever another position is chosen, to draw it. */
  listen(listener) {
    this._listeners.push(listener);
  }

  get count() {
    return this._chosen.size;
  }

  get rooms() {
    return [...this._places.keys()].filter((room) => this.ofRoom(room) !== "none");
  }

  /** Why this cannot be planned, in words; empty where it can. */
  get problem() {
    const rooms = this.rooms;
    return rooms.length > 1 && rooms.some((room) => this.ofRoom(room) !== "all") ? words.differences.wholeRooms : "";
  }

  /** What to ask for in a room: all of it, or positions. A box that is not there is no reason to leave out the rest. */
  asked(room) {
    const whole = this.ofRoom(room) === "all" && !this._notChecked.has(room);
    const positions = [...this._places.get(room)].filter((position) => this.has(room, position));
    return { room, ...(whole ? {} : { positions }), ...(this.alsoAgreed ? { also_agreed: true } : {}) };
  }

  _together(room, position) {
    const found = new Set([position]);
    for (const one of found) {
      for (const set of this._sets.get(keyOf(room, one)) ?? []) {
        for (const other of set.positions) if (this._places.get(room)?.has(other)) found.add(other);
      }
    }
    return found;
  }

  _add(key, set) {
    this._sets.set(key, [...(this._sets.get(key) ?? []), set]);
  }

  _tell() {
    for (const listener of this._listeners) listener();
    this._changed();
  }
}

function keyOf(room, position) {
  return JSON.stringify([room, position]);
}
