// Words: the frame of the page: what states are called, where one is, signing in, what went wrong.

export const states = {
  right: "as it should be",
  differs: "differs",
  serious: "differs seriously",
  agreed: "differs as agreed",
  away: "not there",
  muted: "muted here",
  silent: "muted from outside",
  alone: "left alone: life safety",
  unknown: "not known",
  person: "needs a person",
  waits: "waits for an answer",
  busy: "in progress",
  held: "on hold",
  guest: "has a guest",
};

export const shell = {
  pages: {
    rooms: "Rooms",
    differences: "Differences",
    walk: "Walk test",
    devices: "Devices",
    changes: "Changes",
    snapshots: "Snapshots",
    access: "Access",
  },
  navigation: "Pages",
  safety: "The emergency system has priority. If it is too loud, turn down or call.",
  notLive: (clock) => `Not live since ${clock}. What is shown here is from then; it goes on by itself.`,
  liveAgain: "Live again.",
  asOf: (clock) => `as of ${clock}`,
  theme: "Light or dark",
  themes: { system: "System", light: "Light", dark: "Dark" },
  signOut: "Sign out",
  roles: { integrator: "integrator", operator: "operator", auditor: "auditor" },
  loading: "One moment…",
  nothing: "There is no such page.",
  toRooms: "To the rooms",
  notYours: (role) => `This page is not for the role ${role}.`,
  again: "Try again",
  close: "Close",
  noVenue: "No venue is loaded yet.",
};

export const signIn = {
  title: "Sign in",
  token: "Token",
  hint: "It is on the card or code that your integrator gave you.",
  button: "Sign in",
  signingIn: "Signing in…",
  signedOut: "You are signed out.",
  ended: "You were signed out: your sign-in ended, or was taken back.",
  empty: "Type the token, or scan the code on your card.",
  // The daemon tells nobody which of the three it is.
  wrong:
    "This token opens nothing: it is unknown here, has expired, or was revoked. " +
    "Look whether all of it was typed; if it was, ask your integrator for a new one.",
  tooOften: (seconds) =>
    seconds ? `Too many tries. Try again in ${seconds} seconds.` : "Too many tries. Try again in a minute.",
};

export const problems = {
  noAnswer: "The daemon does not answer. The loudspeakers keep playing as they are; try again in a moment.",
  unreadable: "The answer could not be read. Try again in a moment.",
  page: "Something went wrong on this page. Load it again.",
  askIntegrator: "Ask your integrator.",
  byStatus: {
    401: "You are not signed in any more.",
    403: "This is not yours to do. Ask your integrator.",
    404: "There is nothing by this name.",
    429: "That was too often. Wait a minute, and try again.",
  },
};

// What the pages of many rows share.
export const lists = {
  more: "Show more",
  moreHint: (count) => `${count} are shown.`,
  yes: "yes",
  no: "no",
  none: "none",
  every: "any",
  cancel: "No, leave it",
  choose: "Filter",
  integratorOnly: "Only an integrator can do this.",
};
