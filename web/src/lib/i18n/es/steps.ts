export const steps = {
  title: 'Primeros pasos',
  load: 'Cargue árboles, zonas y tiempo; también vías de entrada y terrenos, si los tiene',
  plan: 'Pida un plan, mírelo en el mapa y adóptelo con un motivo',
  people: 'Inscriba a las personas, dé a cada una su acceso e inscriba los teléfonos de las cuadrillas con un código',
  hang: 'Cuelgue las trampas: las cuadrillas lo anotan en el teléfono, o cargue una lista de trampas',
  done: 'hecho',
}
