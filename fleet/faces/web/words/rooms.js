// Words: all rooms.

export const rooms = {
  title: "Rooms",
  lead: {
    all: "Every room is as it should be.",
    some: (right, all) => {
      if (right === 0) return all === 1 ? "The room is not as it should be." : `None of the ${all} rooms is as it should be.`;
      return `${right} of ${all} rooms ${right === 1 ? "is" : "are"} as ${right === 1 ? "it" : "they"} should be.`;
    },
    none: "No room is yours to see yet.",
  },
  noneRemedy: "Ask your integrator to give you a room.",
  mode: "Mode",
  lastSeen: (clock) => `last seen ${clock}`,
  positions: (count) => (count === 1 ? "1 position" : `${count} positions`),
};
