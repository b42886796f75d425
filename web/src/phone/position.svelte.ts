// Where the phone is, if it may be known. Watched only while a screen asks for it, and never waited for.

class Place {
  at = $state.raw<{ lat: number; lon: number; accuracy_m: number } | undefined>(undefined)
  refused = $state(false)
  #users = 0
  #watch: number | undefined

  /** To be called in an effect: gives back what ends it. */
  use(): () => void {
    this.#users++
    if (this.#users === 1 && navigator.geolocation !== undefined) {
      this.#watch = navigator.geolocation.watchPosition(
        ({ coords }) => { this.at = { lat: coords.latitude, lon: coords.longitude, accuracy_m: coords.accuracy } },
        (error) => {
          if (error.code === error.PERMISSION_DENIED) this.refused = true
        },
        { enableHighAccuracy: true, maximumAge: 10_000 },
      )
    }
    return () => {
      this.#users--
      if (this.#users > 0 || this.#watch === undefined) return
      navigator.geolocation.clearWatch(this.#watch)
      this.#watch = undefined
      // An old position must not end up in a later form.
      this.at = undefined
    }
  }
}

export const place = new Place()
