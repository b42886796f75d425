export const common = {
  appName: 'Earlywood',
  save: 'Guardar', cancel: 'Cancelar', close: 'Cerrar', remove: 'Quitar', back: 'Atrás', next: 'Siguiente', again: 'Reintentar', more: 'Más', none: 'ninguno', yes: 'sí', no: 'no',
  reason: 'Motivo', reasonNeeded: 'Hace falta un motivo: queda en el diario.',
  loading: 'Leyendo …', saved: 'Anotado.', away: 'El servidor no responde. No se ha perdido nada; inténtelo de nuevo.',
  signIn: 'Entrar', signOut: 'Salir', person: 'Persona (id)', password: 'Contraseña', signedOutMeanwhile: 'Su sesión ha caducado. Entre de nuevo para seguir; lo que está en la pantalla se conserva.',
  language: 'Idioma', units: 'Unidades', metric: 'métricas', us: 'EE. UU.', hand: 'Mano', left: 'izquierda', right: 'derecha',
  skip: 'Ir al contenido',
  where: 'Dónde', menu: 'Menú', settings: 'Ajustes', search: 'Buscar', readsOnly: 'Puede ver esto, no cambiarlo.',
  asTable: 'Las cifras en una tabla',
}
