// Numbers that Python knows: they come with a page's state, before anything of it is drawn.

export const numbers = {};

export function learn(given) {
  Object.assign(numbers, given);
}
