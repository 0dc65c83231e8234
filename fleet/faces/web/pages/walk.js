// The walk test: begin one, or look at one. A walk lives in the daemon; this screen only shows it and sends answers.

import { showBeginning } from "../walk/begin.js";
import { showWalk } from "../walk/leading.js";

/** Draw the page into `main`: `/walk`, or `/walk/WALK`. */
export async function show(main, route, context) {
  const [walk] = route.parts;
  return walk ? showWalk(main, walk, context) : showBeginning(main, route, context);
}
