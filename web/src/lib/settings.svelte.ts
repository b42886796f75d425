// What a person sets for this browser: language, units, hand, text size. Kept in localStorage, never sent anywhere.

export type Language = 'en' | 'es'
export type Units = 'metric' | 'us'
export type Hand = 'right' | 'left'

const KEY = 'earlywood-settings'
interface Kept { language: Language; units: Units; hand: Hand }

function kept(): Partial<Kept> {
  try {
    return JSON.parse(localStorage.getItem(KEY) ?? '{}') as Partial<Kept>
  } catch {
    return {}
  }
}

class Settings {
  language = $state<Language>(kept().language ?? (navigator.language.startsWith('es') ? 'es' : 'en'))
  units = $state<Units>(kept().units ?? (navigator.language === 'en-US' || navigator.language === 'es-US' ? 'us' : 'metric'))
  hand = $state<Hand>(kept().hand ?? 'right')

  keep(): void {
    document.documentElement.lang = this.language
    document.documentElement.dataset['hand'] = this.hand
    try {
      localStorage.setItem(KEY, JSON.stringify({ language: this.language, units: this.units, hand: this.hand }))
    } catch {
      // Private windows may have no storage: the setting then lasts as long as the page.
    }
  }
}

export const settings = new Settings()
