export const common = {
  appName: 'Earlywood',
  save: 'Save', cancel: 'Cancel', close: 'Close', remove: 'Remove', back: 'Back', next: 'Next', again: 'Try again', more: 'More', none: 'none', yes: 'yes', no: 'no',
  reason: 'Reason', reasonNeeded: 'A reason is needed: it stays in the journal.',
  loading: 'Reading …', saved: 'Written down.', away: 'The server does not answer. Nothing is lost; try again.',
  signIn: 'Sign in', signOut: 'Sign out', person: 'Person (id)', password: 'Password', signedOutMeanwhile: 'Your sign-in has expired. Sign in again to go on; what is on the screen stays.',
  language: 'Language', units: 'Units', metric: 'metric', us: 'US', hand: 'Hand', left: 'left', right: 'right',
  skip: 'Skip to content',
  where: 'Where', menu: 'Menu', settings: 'Settings', search: 'Search', readsOnly: 'You may look at this, not change it.',
  asTable: 'The figures as a table',
}
