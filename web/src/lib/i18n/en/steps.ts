export const steps = {
  title: 'First steps',
  load: 'Load trees, zones and weather; pathways and land if you have them',
  plan: 'Ask for a plan, look at it on the map, adopt it with a reason',
  people: 'Enrol people, give each a way to sign in, and enrol the crews’ phones by a code',
  hang: 'Hang the traps: crews record it on their phones, or load a list of traps',
  done: 'done',
}
