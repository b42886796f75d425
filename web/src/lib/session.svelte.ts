// Who sits here, and what they may do.

import { api, useSession } from './api/client'
import type { Me, Role } from './api/types'

class Session {
  me = $state.raw<Me | undefined>(undefined)
  /** True when a call found the sign-in expired: what is on the screen stays, and a dialog asks for the password. */
  expired = $state(false)

  get signedIn(): boolean {
    return this.me?.person !== undefined
  }

  set(me: Me): void {
    this.me = me
    this.expired = false
    useSession(me.csrf, () => {
      if (this.signedIn) this.expired = true
    })
  }

  async load(): Promise<void> {
    this.set(await api.me())
  }

  async signOut(): Promise<void> {
    await api.post('/sign-out')
    await this.load()
  }

  has(...roles: Role[]): boolean {
    return roles.some((role) => this.me?.roles?.includes(role) ?? false)
  }
}

export const session = new Session()
