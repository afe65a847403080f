### Textos de la consola en español. Los nombres van entre llaves y no se traducen. Las palabras son las del campo;
### donde un comentario dice columnas, ningún texto puede ser más largo.

## Tiempo

weekdays = lun mar mié jue vie sáb dom
months = ene feb mar abr may jun jul ago sep oct nov dic
clock-unknown = hora desconocida
age-under = menos de 1 min
age-minutes = { $minutes } min
age-hours = { $hours } h { $minutes } min
age-days = { $days } días

## Calidad de una lectura. 9 columnas; las cortas 4, la angosta 7.

quality-good = buena
quality-unchecked = no verif.
quality-suspect = DUDOSA
quality-failed = FALLIDA
quality-missing = FALTA
quality-unknown = SIN CLAVE
quality-old = VIEJA
quality-short-good = bien
quality-short-unchecked = n/v
quality-short-suspect = DUDA
quality-short-failed = FALL
quality-short-missing = NADA
quality-short-unknown = ??
quality-short-old = VIEJ
quality-narrow-unchecked = n/verif

## Medidas. 18 columnas.

quantity-do_mg_l = Oxígeno
quantity-temperature_c = Temperatura
quantity-ph = pH
quantity-salinity_psu = Salinidad
quantity-conductivity_ms_cm = Conductividad
quantity-pressure_hpa = Presión del aire
quantity-depth_m = Profundidad
quantity-turbidity_ntu = Turbidez
quantity-orp_mv = Redox (ORP)
quantity-par_umol_m2_s = Luz (PAR)
quantity-sludge_ph = pH del lodo
quantity-sludge_orp_mv = Redox del lodo
quantity-tan_mg_l = TAN (como N)
quantity-nitrite_mg_l = Nitrito (como N)
quantity-nitrate_mg_l = Nitrato (como N)
quantity-phosphate_mg_l = Fosfato (como P)
quantity-alkalinity_mg_l = Alcalin. CaCO3
quantity-hardness_mg_l = Dureza CaCO3
quantity-calcium_mg_l = Calcio
quantity-magnesium_mg_l = Magnesio
quantity-iron_mg_l = Hierro
quantity-sulfide_mg_l = Sulfuro (como S)
quantity-secchi_cm = Disco Secchi
quantity-aerator_on = Aireador en marcha
quantity-aerator_kw = Potencia aireador
quantity-do_saturation_mg_l = O2 a saturación
quantity-do_saturation_percent = Saturación de O2
quantity-nh3_n_mg_l = NH3-N (tóxico)
quantity-h2s_s_mg_l = H2S-S (tóxico)
quantity-co2_mg_l = CO2 disuelto
quantity-ph_swing = Vaivén de pH, 24 h
quantity-night_slope_mg_l_h = Cambio de oxígeno
quantity-dawn_do_mg_l = Mínimo al alba

# Lo mismo en 13 columnas.
quantity-short-do_saturation_mg_l = O2 a satur.
quantity-short-do_saturation_percent = O2 saturación
quantity-short-nh3_n_mg_l = NH3-N
quantity-short-h2s_s_mg_l = H2S-S
quantity-short-co2_mg_l = CO2
quantity-short-ph_swing = Vaivén pH 24h
quantity-short-dawn_do_mg_l = O2 mínimo
quantity-short-alkalinity_mg_l = Alcalinidad
quantity-short-hardness_mg_l = Dureza
quantity-short-phosphate_mg_l = PO4 (como P)
quantity-short-nitrite_mg_l = NO2 (como N)
quantity-short-nitrate_mg_l = NO3 (como N)
quantity-short-sulfide_mg_l = Sulfuro S
quantity-short-conductivity_ms_cm = Conductivid.
quantity-short-pressure_hpa = Presión aire
quantity-short-sludge_orp_mv = Redox lodo
quantity-short-night_slope_mg_l_h = Cambio de O2
quantity-short-secchi_cm = Disco Secchi

## Alarmas. La marca tiene 4 columnas, un estado 14.

mark-1 = <1C>
mark-2 = /2A\
mark-3 = [3M]
priority-1 = CRÍTICA
priority-2 = ALTA
priority-3 = MEDIA
act-within-1 = actuar en 15 min
act-within-2 = actuar en una hora
act-within-3 = actuar hoy
state-unacknowledged = SIN RECONOCER
state-acknowledged = reconocida
state-returned-unacknowledged = PASÓ, SIN REC.
state-normal = normal
state-latched-unacknowledged = PASÓ, SIN REC.
state-latched-acknowledged = pasó: pulse r
state-shelved = apartada
state-suppressed-by-design = dentro de otra
state-out-of-service = fuera de serv.
held-shelved = { $count } { $count ->
    [one] apartada
   *[other] apartadas
}
held-inside = { $count } dentro de otras
held-alarm-shelved = { $name } ({ $id }): apartada hasta { $until } por { $by }: { $reason }
held-alarm-inside = { $name } ({ $id }) se cuenta dentro de { $root }
held-alarm-state = { $name } ({ $id }): { $state }
probe-out = { $probe } fuera de servicio hasta { $until } ({ $by })
probe-overdue = { $probe } con servicio vencido: { $what }
probe-overdue-by = { $what } hace { $late }
day-trend = ({ $slope } por semana)
day-balance = hizo { $made }{ $trend }, gastó { $used }, neto { $net } mg/L
called-times = { $times } veces
called-not-reached = NO CONTESTÓ
called-under-way = en curso
called-next = sigue { $name } { $at }
called-nobody = todavía nadie
horn-test-no-reason = no se sabe por qué
horn-test-done = prueba { $at }: respondió
horn-test-left-out = prueba { $at } omitida: { $why }
horn-test-failed = PRUEBA { $at } FALLÓ: { $why }

## Respuestas a una tecla. Una fila de 79 columnas.

no-daemon = no hay conexión con el programa.
said-acknowledged = Reconocida.
said-acknowledged-what = Reconocida: { $label }.
said-acknowledged-but = Reconocida, pero: { $warning }
said-not-acknowledged = NO reconocida: { $why }
said-kept = Guardado: { $said }.
said-kept-converted = Guardado: { $said } ({ $converted }).
said-kept-different = Guardado. { $difference }
said-kept-but = Recibido, pero: { $warning }
said-not-kept = NO guardado: { $why }
said-no-limits = Sin límites ahora: { $why }
said-no-diary = Sin bitácora ahora: { $why }
said-not-explained = Sin explicación: { $why }
not-acknowledged-no-daemon = NO reconocida: no hay conexión con el programa. Después no se envía sola.
nothing-to-acknowledge = No hay nada que reconocer.
somebody = alguien
already-acknowledged = Ya la reconoció { $by }.
acknowledgement-under-way = El reconocimiento va en camino.
another-on-top = Acaba de entrar otra alarma arriba. Léala y pulse a otra vez.
place-farm = Finca
place-gateway = Equipo
acknowledging = Reconociendo { $label } ...
no-such-pond = No hay estanque { $digit }: la finca tiene { $ponds }.
no-farm-yet = Todavía no se conoce la finca; no se puede anotar nada.
cannot-ask-why = No se puede preguntar por qué: { $why }
nothing-to-explain = No hay nada que explicar.
left-unsent = Salió sin enviar nada.
not-sent-no-daemon = NO enviado: no hay conexión con el programa. Lo escrito queda aquí.
sending = Enviando ...
sending-wait = Enviando; espere la respuesta.
cannot-shelve = No se puede apartar nada: { $why }
cannot-reset = No se puede cerrar nada: { $why }
no-alarm-to-shelve = No hay alarma que apartar.
silent-inside = Ya no avisa: se cuenta dentro de otra.
silent-out = Ya no avisa: está fuera de servicio.
acknowledge-first = Primero reconozca (a), revise y pulse r.
none-to-reset = Ninguna alarma espera que la cierren.
left-unshelved = Salió sin apartar nada.
shelved = Apartada. Vuelve sola.
not-shelved = NO apartada: { $why }
taken-back = Devuelta: vuelve a avisar.
not-taken-back = NO devuelta: { $why }
checked-off = Cerrada.
not-reset = NO cerrada: { $why }
but = Pero: { $warning }
left-unrecorded = Salió sin anotar nada.
not-recorded = NO anotado: { $why }
not-recorded-yet = Todavía NO anotado. Enter otra vez: así fue. Si no, escríbalo de nuevo.
kept-as-entry = Guardado como anotación { $number }.
another-answer = el programa dio otra respuesta
not-changed = NO cambiado: { $why }
limit-press-why = ¿Por qué? Pulse 1 a 5; Esc vuelve.
limit-type-first = Escriba primero el valor nuevo. Sin escribir nada se deshace un cambio.
limit-no-number = Eso no es un número.
limit-none-marked = No hay ningún límite marcado.
only-digits = Aquí solo cifras. Esc sale; después sirven las otras teclas.
limit-changed = Cambiado. Queda en el registro con su nombre.
limit-changed-but = Cambiado, pero: { $warning }

## Apartar una alarma. Un tiempo tiene 8 columnas.

shelve-press-why = ¿Por qué? Pulse 1 a { $last }; las flechas cambian el tiempo; Esc sale.
shelve-needs-why = Hace falta un motivo: pulse 1 a { $last }.
length-hours = { $hours } h
shelve-reason-1 = conocida, ya se está arreglando
shelve-reason-2 = servicio de una sonda o de una pieza
shelve-reason-3 = falsa alarma, hay que cambiar una sonda
shelve-reason-4 = el asesor está de acuerdo
shelve-reason-5 = prueba
shelve-title = Apartar una alarma por un rato
shelve-over = Ya no está en alarma. Esc sale.
shelve-for = Por
shelve-longest = las flechas lo cambian; a lo más { $longest }
shelve-why = ¿Por qué? Esta tecla lo envía:
shelve-told = Sigue en la lista con su nombre y el motivo, y vuelve sola, en alarma si la causa sigue. El agua no mejora por esto.

## Límites. Los textos de la lista tienen 38 columnas.

limit-reason-1 = lo dijo el asesor
limit-reason-2 = cambió el cultivo o su talla
limit-reason-3 = el agua de este estanque suele ser así
limit-reason-4 = mientras dura un tratamiento o arreglo
limit-reason-5 = el último cambio fue un error
limits-title = Límites de { $pond }
limits-place = { $place } de { $all }
limits-changed-by = CAMBIADO, era { $configured }, por { $by }
limits-take-back = { $key } vuelve a { $configured }, lo configurado. ¿Por qué? La tecla envía:
limits-change = { $key } de { $old } a { $new }. ¿Por qué? Esta tecla lo envía:
limits-changed-why = CAMBIADO de { $configured } a { $value } por { $by } a las { $at }: { $reason }. Enter sin escribir nada lo deshace.
limits-source = De: { $source }
limits-no-source = No se indica la fuente.

## Lecturas a mano. El nombre de la hora tiene 11 columnas.

entry-title = Lecturas tomadas a mano
entry-sampled-at = Muestra a
entry-time-hint = hh:mm, hora de la finca; vacío es ahora
entry-probe-says = La sonda dice { $value } mg/L de oxígeno ({ $quality }, de hace { $age }).
entry-as = como { $basis } (u)
entry-as-unknown = ¿de qué? u
entry-only-digits = Aquí solo cifras. Esc sale; después sirven las otras teclas.
entry-choose-pond = Elija el estanque: 1 a { $last }, o flechas izquierda y derecha.
which-pond-arrows = ¿Qué estanque? 1 a { $last }, o flechas izquierda y derecha.
which-pond = ¿Qué estanque? 1 a { $last }.
press-pond = pulse 1 a { $last }
label-pond = Estanque
or = o
entry-what-kit = { $name }: ¿qué cuenta el kit? Pulse u hasta que diga { $bases }.
entry-converted = { $text } como { $from } es { $stored } como { $to }
entry-nothing-typed = Nada escrito todavía. Esc sale.
entry-different = { $pond } oxígeno a mano { $hand }, sonda { $probe } mg/L: limpie la sonda y compare.
entry-probe-reads = ; la sonda marca { $value }
entry-accepted = se acepta: { $low } a { $high } { $unit }
entry-cannot-be = { $name } { $value } no puede ser; { $accepted }.
entry-no-number = { $name }: `{ $text }` no es un número; { $accepted }.
entry-no-time = { $label }: `{ $text }` no es una hora; se acepta: 00:00 a 23:59, o vacío.
entry-no-clock = No se conoce la hora de la finca; deje la hora vacía.

## Lo que se hizo. Nombres y tipos 12 columnas, ayudas 53.

diary-title = Lo que se hizo, lo último primero
diary-record = d: anotar algo
diary-none = Nada en los últimos 14 días.
diary-withdrawn = RETIRADA
diary-superseded = CORREGIDA en #{ $number }
diary-form-title = Anotar lo que se hizo
diary-label-what = Qué
diary-at = A las
diary-what-done = ¿Qué se hizo?
diary-no-lot = no hay lote en la configuración
diary-one-lot = { $lot } si no elige
diary-one-of = 1 a { $last }
diary-kept = Guardado como anotación { $number }, estanque { $pond }
diary-back = Enter: volver. ¿Está mal? pondreeve record --correct
diary-why-dosed = plan dose dice AHORA NO. ¿Por qué se dio? Pulse un número, o Enter.
diary-choose-one = Elija uno: 1 a { $last }.
diary-what = ¿Qué se hizo? Un número, o flechas y Enter.
diary-no-number = { $label }: `{ $text }` no es un número.
diary-type-number = { $label }: escriba el número.
diary-whole-number = { $label }: se acepta un número entero.
diary-choose-number = { $label }: elija un número.
kind-feed = alimento
kind-dose = dosis
kind-drain = desagüe
kind-exchange = recambio
kind-sampling = muestreo
kind-mortality = mortalidad
kind-harvest = cosecha
kind-disturbance = perturbación
kind-weather = tiempo
kind-note = nota
kind-sludge = lodo
kind-count = conteo
kind-withdrawal = retiro
kind-stocking = siembra
kind-cost = costo
kind-price = precio
kind-reading = lectura
kind-acknowledgement = reconocida
kind-shelving = apartada
kind-reset = cerrada
kind-service = servicio
field-level-before = Nivel antes
field-level-after = Nivel luego
field-filled-to = Llenado a
field-or-volume = o volumen
field-ended-at = Terminó a
field-feed = Alimento
field-tray-left = Resto plato
field-slurry = Lechada
field-or-slurry = o lechada
field-containers = Envases
field-lot = Lote
field-shrimp = Camarones
field-weight = Peso
field-dead = Muertos
field-or-dead = o muertos
field-harvested = Cosechado
field-body-weight = Peso medio
field-price = Precio
field-which = Cuál
field-weather = Tiempo
field-note = Nota
field-ph = pH
field-redox = Redox
field-thickness = Espesor
field-measured = Medido
field-left = Quedan
field-delivered = Llegaron
field-gone = Faltan por
field-stocked = Sembrados
field-for = Para
field-spent = Gastado
field-of = De
hint-m = m
hint-level-after = m, en lo más bajo
hint-filled-to = m, si se llenó
hint-volume = m3, si no se leyeron niveles
hint-time = hh:mm, si se sabe
hint-kg = kg
hint-tray-left = %, si se miró
hint-weighed = kg, pesados
hint-measured-out = L, medidos
hint-containers = vaciados, por ejemplo 1.5
hint-counted = contados
hint-together = g, todos juntos
hint-body-weight = g cada uno, si se pesó
hint-price = por kg, si se sabe
hint-mv = mV
hint-cm = cm
hint-left = llenos; uno abierto como su parte: 4.5
hint-delivered = desde el último conteo, si llegaron
hint-thousands = miles
hint-in-all = en total
hint-price-of = por kg o por kWh
weather-1 = despejado
weather-2 = algo nublado
weather-3 = nublado
weather-4 = lluvia
weather-5 = lluvia fuerte
weather-6 = tormenta
weather-7 = calor sin viento
weather-8 = viento
weather-9 = niebla
note-1 = camarones en la superficie o en la orilla
note-2 = cambió el color del agua
note-3 = espuma o algas muertas
note-4 = hubo corte de luz
note-5 = anduvo el generador
note-6 = comedero o aireador reparado
note-7 = mal olor en el fondo
note-8 = se llamó al asesor
note-9 = visitas en los estanques
cost-1 = alimento
cost-2 = electricidad
cost-3 = combustible
cost-4 = mano de obra
cost-5 = postlarvas
cost-6 = lechada
cost-7 = reparación
cost-8 = tratamiento
cost-9 = otro
harvest-1 = parcial: quedan algunos
harvest-2 = final: el estanque queda vacío
method-1 = en el lugar
method-2 = en una muestra
method-3 = diluido 1:1
gone-1 = se derramaron o dañaron
gone-2 = prestados o vendidos
gone-3 = devueltos
gone-4 = botados
gone-5 = antes se contó mal
dosed-1 = lo aprobó el asesor
dosed-2 = lo ordenó el jefe de la finca
dosed-3 = el pH y el amonio medidos después son más bajos
dosed-4 = la alcalinidad o el fondo no permitían esperar
dosed-5 = por error
priced-1 = camarón
priced-2 = alimento
priced-3 = lechada
priced-4 = electricidad

## La finca. Títulos de la tabla: estanque 9 columnas, oxígeno 6, calidad 8, saturación 4, cambio 5, bajo 5, mínimo 4,
## margen 9, hora 5, qué hacer 12, en dos filas. Un límite corto 4, un cruce 5.

in-doubt = Ante la duda, prenda aireadores y vaya a ver.
no-reason = sin motivo indicado
farm-no-alarms = Sin alarmas.
farm-no-alarms-then = Sin alarmas en lo último que se supo.
farm-lowest = Mínimo esperado: { $pond } { $lowest } mg/L ({ $low } a { $high }) a las { $at }.
farm-no-forecast = Sin pronóstico.
farm-no-forecast-why = Sin pronóstico: { $why }.
farm-aerators = aireadores { $states }.
farm-more-ponds = { $more } estanques más, { $alarmed } en alarma: flechas arriba y abajo
farm-since-state = desde { $since }, { $state }
farm-more-alarms = { $more } alarmas y fallas más: pulse Tab
gateway-fault = Equipo: { $part }: { $detail } desde { $since }
limit-short-1 = avis
limit-short-2 = crít
limit-short-3 = emer
head-pond = Estanque
head-oxygen = Oxíg.
head-quality = calidad
head-age = edad
head-share = sat.
head-slope = mg/L
head-per-hour = por h
head-below = bajo
head-lowest = mín-
head-lowest-2 = imo
head-spread = 80% entre
head-at = a las
head-do = Hacer
crossing-below = bajo
crossing-may = puede
crossing-no = no

## Lo que se dice del oxígeno de un estanque.

oxygen-not-measured = No se mide oxígeno en este estanque: guíese por el medidor de mano.
oxygen-no-reading = SIN LECTURA DE OXÍGENO ({ $quality }, hace { $age }). Guíese por el medidor de mano.
oxygen-value = { $value }, { $quality }, hace { $age }
oxygen-slope = { $slope } mg/L por h
oxygen-share = { $share }% de saturación
left-not-known = No se sabe: sin pronóstico ({ $why }).
left-until = { $left } hasta bajar de { $limit } mg/L (hacia { $at }, { $likely }% probable)
left-at = bajo { $limit } mg/L hacia { $at } ({ $likely }% probable)
left-risk = { $risk }% de riesgo de bajar de { $limit } mg/L
left-lowest = mínimo { $lowest } (80% entre { $low } y { $high }) a las { $at }
left-lowest-was = el mínimo iba a ser { $lowest } (80% entre { $low } y { $high }) a las { $at }
left-as-of = a las { $at }: { $left }

## Qué hacer. Los cortos 12 columnas, los de una fila 45.

aerators = aireadores
and = y
do-no-connection = No se sabe: sin conexión. Ante la duda, prenda aireadores y vaya a ver.
do-none-yet = Todavía sin consejo.
do-until = hasta cerca de { $at }
do-all-run = YA MARCHAN TODOS LOS AIREADORES: vaya a ver.
do-why-stopped = AVERIGÜE POR QUÉ PARÓ { $groups }; luego prenda otra vez.
do-start-now = PRENDA { $groups } YA{ $until }, y vaya a ver.
do-no-time = una hora no indicada
do-start-at = Prenda { $groups } a las { $start }{ $until }{ $energy }.
do-keep-on = Siga con { $groups } EN MARCHA. No hay que prender más.
do-rest = No hace falta más aireación en las próximas horas.
do-unknown = No hay consejo posible.
do-line-no-connection = Sin conexión: vaya a ver.
do-line-unknown = SIN CONSEJO POSIBLE: vaya a ver.
do-line-keep-on = Siga con lo que está en marcha.
do-line-rest = Por ahora no hace falta más aireación.
do-short-look = ir a ver
do-short-look-now = VAYA A VER
do-short-start-now = PRENDA YA
do-short-start = PRENDA { $groups }
do-short-keep-on = siga así
do-short-rest = descanso
aerator-on = sí
aerator-off = no
aerator-stopped = PARADO
aerators-none = sin aireadores configurados

## La alarma de arriba y la lista. Rótulos del cuadro 7 columnas; de la lista 6, 13, 10, 9, 14.

since = desde { $at }
acknowledgement-sent = Reconocimiento enviado, esperando al programa ...
panel-what = Qué
panel-called = Llamado
panel-oxygen = Oxígeno
panel-left = Queda
panel-do = Hacer
panel-caution = Camine, no corra. Nadie en el agua con los aireadores con corriente.
panel-over = Ya pasó. Revise cada estanque y pulse r para quitarla.
panel-acknowledged = Reconocida por { $by }. Sigue hasta que la causa desaparezca.
panel-no-connection = Desde aquí no se puede reconocer sin conexión.
panel-is-over = Ya pasó.
panel-keys = Pulse a (o espacio, o Enter) para reconocer.
panel-keys-horn = Pulse a (o espacio, o Enter) para reconocer: la bocina calla.
panel-key = Pulse a para reconocer.
alarms-alarm = Alarma
alarms-where = Dónde
alarms-what = Qué
alarms-since = desde
alarms-state = estado
alarms-in-all = { $all } alarmas en total: flechas arriba y abajo
alarms-waiting = Por enviar a otros sistemas: { $waiting }
alarms-over = Pasó a las { $changed }. Revise y pulse r. Id: { $id }
alarms-by = Reconocida por { $by }; último cambio { $changed }. Id: { $id }
alarms-nobody = Nadie la ha reconocido; último cambio { $changed }. Id: { $id }

## Nombres de las alarmas, según la última parte de su id. 30 columnas.

alarm-do-low-warn = Oxígeno bajo
alarm-do-low-critical = Oxígeno crítico
alarm-do-low-emergency = EMERGENCIA de oxígeno
alarm-do-falling = Oxígeno cae rápido
alarm-do-forecast-warn = Pronóstico de oxígeno bajo
alarm-do-forecast-critical = Pronóstico de oxígeno crítico
alarm-do-blind-high = Oxígeno sin ver de noche
alarm-do-blind-critical = Oxígeno sin ver, hace mucho
alarm-aerator-stopped = Aireador parado de noche
alarm-aerators-stopped = Varios aireadores parados
alarm-ph-low-warn = pH bajo
alarm-ph-low-critical = pH crítico por bajo
alarm-ph-high-warn = pH alto
alarm-ph-high-critical = pH crítico por alto
alarm-nh3-mean-warn = NH3 alto todo el día
alarm-nh3-mean-critical = NH3 crítico todo el día
alarm-nh3-peak-warn = Pico alto de NH3
alarm-nh3-peak-critical = Pico crítico de NH3
alarm-plankton-crash = Posible caída del plancton
alarm-plankton-bloom = Florece el plancton
alarm-do-limits-lax = Límites de oxígeno peligrosos
alarm-dose-due = Toca dosis
alarm-ph-check-1h = Leer pH 1 h después de la dosis
alarm-ph-check-4h = Leer pH 4 h después de la dosis
alarm-ph-check-24h = Leer pH 24 h tras la dosis
alarm-dose-count = Dosis y envases no coinciden
alarm-do-high = Oxígeno muy alto
alarm-do-high-percent = Oxígeno muy sobresaturado
alarm-ph-swing = Gran vaivén de pH
alarm-temperature-low-warn = Temperatura baja
alarm-temperature-low-critical = Temperatura crítica por baja
alarm-temperature-high-warn = Temperatura alta
alarm-temperature-high-critical = Temperatura crítica por alta
alarm-temperature-change-hour = Temperatura cambia rápido
alarm-temperature-change-half-day = Temperatura cambió en 12 h
alarm-salinity-low = Salinidad baja
alarm-salinity-change-warn = Cambió la salinidad
alarm-salinity-change-critical = Salinidad cambió mucho
alarm-stratified = Agua dulce encima
alarm-tan-warn = Amonio total alto
alarm-tan-critical = Amonio total crítico
alarm-nitrite-warn = Nitrito alto
alarm-nitrite-critical = Nitrito crítico
alarm-alkalinity-low-warn = Alcalinidad baja
alarm-alkalinity-low-critical = Alcalinidad crítica
alarm-alkalinity-high = Alcalinidad alta
alarm-secchi-low = Agua muy verde
alarm-secchi-high-warn = Agua muy clara
alarm-secchi-change = Cambió la claridad del agua
alarm-phosphate-high = Fosfato alto
alarm-iron-warn = Hierro alto
alarm-iron-critical = Hierro muy alto
alarm-h2s-warn = Sulfuro de hidrógeno alto
alarm-h2s-critical = Sulfuro de hidrógeno crítico
alarm-sludge-ph-low-warn = Lodo ácido
alarm-sludge-ph-low-critical = Lodo muy ácido
alarm-probe-fault = Falla la sonda { $which }
alarm-node-silent = Calla el nodo { $which }
alarm-power-lost = Sin luz: aireadores parados
alarm-gateway-store = Falla el almacén de lecturas
alarm-gateway-bus = Falla el bus serie { $which }
alarm-gateway-broker = Falla el broker { $which }
alarm-gateway-forward = Falla el envío { $which }
alarm-gateway-clock = Falla el reloj
alarm-gateway-machine = Falla la computadora { $which }
alarm-gateway-quarantine = Falla el programa
alarm-gateway-horn = Falla la bocina { $which }
alarm-gateway-call = Fallan las llamadas { $which }

## Un estanque

no-ponds = Esta finca no tiene estanques.
asking = Preguntando al programa ...
sun = puesta { $set }, salida { $rise }
pond-do = Hacer: { $what }
pond-left = Queda: { $what }
pond-aerators = Aireadores: { $states }
pond-day = Día: { $day }
pond-probe-or-water = Oxígeno: { $line } (w por qué)
pond-probes = Sondas: { $notes }
pond-limits-changed = Límites cambiados: { $limits } (l)
pond-no-reading = Todavía sin lecturas.
pond-more = { $hidden } más
pond-per-hour = { $slope } por h

## La noche y las últimas noches. Nombres de límites 9 columnas; ahora con su hora 11; títulos 11, 7, 6, 18, 4, 6; sí y
## no 4.

limit-1 = aviso
limit-2 = crítico
limit-3 = emergenc.
chart-oxygen = Oxígeno, mg/L: { $marks }
chart-marks = { $dot } medido  ? dudoso{ $forecast }  - límites
chart-course = o esperado  I 80% entre
chart-fan = o esperado  : 80% entre
chart-asking = pidiendo la curva al programa ...
chart-no-curve = sin curva ({ $why })
chart-nothing = nada guardado en este tiempo{ $forecast }
chart-old = (vieja)
chart-now = ahora { $at }
night-title = { $pond }: esta noche
night-no-forecast = SIN PRONÓSTICO: { $why }.
night-sunset = El sol se pone a las { $at }.
hand-meter = Guíese por el medidor de mano.
night-lowest = Mínimo esperado: { $lowest } mg/L hacia { $at } (80% entre { $low } y { $high }).
night-old = VIEJO, de las { $at }:
night-chances = Riesgo de bajar de { $chances }.
night-is-now = ya está
night-under = menos de { $percent }
night-over = más de { $percent }
night-about = (hacia { $at })
night-made = Pronóstico de las { $at }, con: { $basis }.
nights-title = { $pond }: últimas noches
nights-not-known = No se conocen las noches: { $why }
nights-none-yet = Todavía no hay noches. Cada una aparece una hora después de salir el sol, si se midió su oxígeno casi toda la noche. Pulse n para esta noche.
nights-sunrise = El sol sale a las { $at }.
nights-night-of = Noche del
nights-lowest = Mínimo
nights-at = a las
nights-forecast = pronóstico, al 80%
nights-off = dif.
nights-within = dentro
nights-range = { $lowest } ({ $low } a { $high })
nights-no-forecast = no se pudo hacer
nights-note-1 = dif.: pronóstico de 2 h tras la puesta menos lo real, mg/L; + prometió de más.
nights-note-2 = ~ hecho después. dentro: mínimo en el margen 80%. Barras: mínimo, | límites.
nights-none-had = Ninguna de estas noches tuvo pronóstico.
nights-summary = Pronósticos: error medio { $off } mg/L; { $inside } de { $all } mínimos dentro del margen.
yes = sí
no-loud = NO

## Alrededor de la página

header-none = sin alarmas
header-one-seen = 1 alarma, reconocida
header-all-seen = { $all } alarmas, todas reconocidas
header-one-new = 1 ALARMA SIN RECONOCER
header-all-new = { $all } ALARMAS SIN RECONOCER
header-some-new = { $all } ALARMAS, { $new } SIN RECONOCER
header-flood = AVALANCHA
header-horn = BOCINA
header-as-of = al { $at }
lost-since-for = SIN CONEXIÓN desde { $since } ({ $age }): NO SE FÍE DE ESTOS NÚMEROS
lost-since = SIN CONEXIÓN desde { $since }: NO SE FÍE
lost-again = Reintentando.
banner-sent = enviado
banner-key = a = reconocer
banner-key-short = a = rec.
unheard-waiting = esperando la primera respuesta del programa
unheard-title = TODAVÍA SIN NÚMEROS
unheard-told = La consola sigue intentando. Mientras no muestre números, aquí nadie vigila el oxígeno por usted: camine (no corra) a los estanques con el medidor de mano y avise a alguien antes de salir.
key-quit = q salir
small-no-connection = SIN CONEXIÓN
small-nothing = No hay alarma que reconocer.
small-hint = Ventana muy chica: { $least } o más.
lines = filas { $first } a { $last } de { $all }: flechas arriba y abajo

## Teclas, en la última fila: 79 columnas, con dos entre una y otra. Lo que no cabe se omite al final.

footer-farm = a reconocer | 1-9 est. | n noche | e dato | d labor | Tab lista | w porqué | ? ayuda | q salir
footer-pond = a reconocer | 1-9 est. | n noche | e dato | d labor | l lím. | w porqué | 0 finca | ? ayuda | q salir
footer-night = a reconocer | n noches | 1-9 est. | w porqué | Esc estanque | ? ayuda | q salir
footer-nights = a reconocer | n esta noche | 1-9 est. | w porqué | Esc estanque | ? ayuda | q salir
footer-alarms = a reconocer | s apartar | r cerrar | w porqué | flechas | Esc finca | ? ayuda | q salir
footer-done = a reconocer | d anotar | flechas | 1-9 est. | Esc finca | ? ayuda | q salir
footer-diary = Enter enviar o seguir | Tab siguiente | a reconocer | Esc salir
footer-shelving = 1-5 motivo y envío | flechas tiempo | a reconocer | Esc salir
footer-limits = flechas | cifras valor nuevo | Enter, y el motivo | a reconocer | Esc salir
footer-help = a reconocer | flechas | Esc finca | q salir
footer-why = a reconocer | flechas | w de nuevo | Esc volver | q salir
footer-entry = Enter enviar | Tab sig. | u kit | Izq. Der. columna | a reconocer | Esc salir

## Ayuda. Teclas y precauciones caben en la primera pantalla: 20 filas de 79 columnas.

help-keys = TECLAS
help-keys-acknowledge = a, espacio o Enter: reconocer la alarma de arriba; en la lista, la marcada.
help-keys-pages = 1 a 9: estanque. Flechas: elegir. Tab: otra página. Esc o 0: finca. ?: ayuda.
help-keys-tasks = n: oxígeno de esta noche; otra vez: últimas noches. e: dato a mano. d: lo hecho; otra vez: anotar. w: por qué. q: salir; el programa sigue. Ctrl-L: redibujar.
help-keys-aside = l: límites del estanque, y cambiarlos. s: apartar la alarma, con motivo; si está apartada, devolverla. r: cerrar la que pasó y espera revisión.
help-cautions = ANTES DE SALIR
help-caution-doubt = Ante la duda, prenda aireadores y vaya a ver. Los números son una guía: la sonda ve un solo punto, el pronóstico es un cálculo y el teléfono falla. Este programa recomienda; no prende ni apaga aireadores.
help-caution-walk = Camine, no corra, por el muro mojado. Avise antes de salir, use chaleco salvavidas, fije hora de regreso. Con rayos: a cubierto.
help-caution-current = Electricidad y agua: nadie en el estanque con aireadores con corriente. Corte, candado, tarjeta. No rearme una y otra vez un breaker que saltó. Deciden un electricista autorizado y la norma local.
help-caution-pits = Pozos de lodo, desagües, sumideros: el sulfuro de hidrógeno mata y deja de olerse. Nunca entre solo ni a rescatar.
help-caution-slurry = Lechada mineral: alcalina. Gafas, guantes, botas; no mezclar con nada. Camarón muerto o enfermo: avise al veterinario o a la autoridad; no descargue nada.
help-signs = SIGNOS
help-sign-priorities = <1C> crítica: actuar en 15 minutos. /2A\ alta: en una hora. [3M] media: hoy. ! sin reconocer.
help-sign-quality = bien, buena: pasó las pruebas. n/v, n/verif: no verificada, como un dato a mano. DUDA: dudosa, compare con el medidor de mano. FALL: no pasó las pruebas. NADA: no llega nada. VIEJ: no es el valor actual.
help-sign-values = 2.81? no confíe en él. -- sin valor. <1m 12m 3h 2d: edad.
help-sign-below = bajo 4.0, bajo 3.0: hora en que se espera que el oxígeno baje de ese límite esta noche. `bajo`: ya está bajo. `puede`: más de 1 en 10. `no`: no se espera. `?`: lectura en duda.
help-sign-spread = 80% entre: en 8 de 10 noches así el mínimo cae en ese margen. En la página de la noche: o el curso esperado, : los bordes de ese margen.
help-sign-times = Todas las horas son las de la finca.

## Por qué

caution = Camine, no corra. Nadie entra al agua con los aireadores con corriente. Ante la duda, prenda aireadores y vaya a ver.
why-in-english = Los rótulos están en español; el resto de esta explicación está en inglés.
why-lines = a las { $at }; { $lines }
why-side-probe = sonda
why-side-water = agua
why-probe-or-water = Sonda o agua
why-raised = Salta cuando
why-cleared = Termina cuando
why-limit-from = Límite según
why-readings = Lecturas
why-worked-out = Calculado
why-forecast = Pronóstico
why-by-probe = sonda { $probe }
why-by-hand = a mano
leaning-do-water = Actúe según la lectura: prenda aireadores y vaya a ver.
leaning-do-unsure = Actúe como si el agua estuviera mal: prenda aireadores, después mida junto a la sonda con el medidor de mano.
leaning-do-probe = Prenda aireadores de todos modos, después mida junto a la sonda con el medidor de mano y anótelo; limpie la sonda con luz de día.
clue-kind-shape = forma de la curva
clue-kind-companions = lo demás que se mide
clue-kind-timing = momento
clue-kind-response = respuesta
clue-kind-tests = pruebas
source-oxygen-saturation = Benson & Krause 1984, término de presión de APHA Standard Methods 4500-O
source-nh3-fraction-nbs = Emerson et al. 1975, término de sal de Khoo et al. 1977
source-oxygen-transfer = forma de ASCE/EWRI 2 e IS 13166:1992
source-h2s-fraction = Millero, Plese & Fernandez 1988
source-nitrite-limit = estudio de nitrito a baja salinidad, Aquaculture Research 2016; Gross et al. 2004; Lin & Chen 2003; 2 y 5 mg/L: práctica común, sin fuente
source-theil-sen = Theil 1950, Sen 1968; empates según Kendall
why-no-value = sin valor que pueda avisar
why-age = , hace { $age }, a las { $at }
why-nothing-came = , todavía no llegó nada
why-input = { $what }, { $by }: { $value }, bandera { $flag } { $quality }{ $age }
why-test = prueba { $test } { $flag }: { $says }

## Lo que la consola dice de la conexión con el programa.

daemon-silent = el programa está conectado pero no dice nada
unexpected-answer = respuesta inesperada { $reply }

## Líneas simples de `status` y `alarms`.

plain-horn = Bocina
plain-probe = Sonda
plain-advice-only = Solo consejo; no se prende ni se apaga nada.
plain-acknowledge = Para decir que ya vio una: pondreeve acknowledge { $id }
plain-one-new = 1 alarma SIN RECONOCER
plain-some-new = { $all } alarmas, { $new } SIN RECONOCER
plain-flood = AVALANCHA DE ALARMAS: atienda la de arriba
plain-not-acknowledged = SIN RECONOCER, { $within }
plain-acknowledged-by = reconocida por { $by }
plain-over = pasó a las { $over }, SIN RECONOCER
plain-over-latched = pasó a las { $over }, SIN RECONOCER; después hay que cerrarla
plain-over-reset = pasó a las { $over }: revise y dígalo con pondreeve reset { $id }
plain-called = llamado:
plain-fault = equipo, { $part }, desde { $since }: { $detail }
plain-waiting = { $waiting } mensajes por enviar
plain-running = en marcha
plain-off = parado
plain-not-known = no se sabe
plain-aerators = Aireadores
plain-tonight = Esta noche
plain-forecasts = Pronósticos recientes
plain-oxygen = Oxígeno
plain-advice = Consejo
plain-day = Último día
plain-diary = Bitácora
plain-aeration = Aireación
plain-no-forecast = sin pronóstico: { $why }
plain-score = error medio { $off } mg/L en { $nights } { $nights ->
    [one] noche
   *[other] noches
}, { $inside } dentro del 80 %
plain-day-oxygen = oxígeno: { $day }
plain-day-unknown = no se sabe qué se hizo y qué se gastó: { $why }
plain-starts = Arranques aconsejados { $asked }, cumplidos { $followed }.
plain-energy = { $kwh } kWh desde la puesta ({ $day }), { $habit } con la costumbre de todos hasta el alba.
crop-day = día de cultivo { $day }
crop-each = { $grams } g cada uno
crop-biomass = unos { $guess } kg (cálculo; a lo más { $most })
crop-fed = { $kg } kg de alimento hoy en { $meals } { $meals ->
    [one] comida
   *[other] comidas
}
crop-dose = última dosis { $date }
crop-strength = { $strength } mg/L de lechada
plain-nothing-yet = nada todavía
plain-age = { $quality }, hace { $age }
plain-lowest = mínimo { $lowest } mg/L a las { $at }, 80% entre { $low } y { $high }.
plain-lowest-was = el mínimo iba a ser { $lowest } mg/L a las { $at }, 80% entre { $low } y { $high }.
plain-below-now = Ya bajo { $limit }.
plain-below-at = Bajo { $limit } hacia { $at } (riesgo { $percent }%).
plain-below = Bajo { $limit }: riesgo { $percent }%.
plain-sunrise = El sol sale { $at }.
plain-slope = Ahora { $now } mg/L por hora.
plain-slope-stopped = Ahora { $now } mg/L por hora, { $stopped } si pararan los aireadores.
plain-made = Hecho a las { $at } con: { $basis }.
plain-start-now = PRENDA AIREADORES{ $groups } YA
plain-start-at = prenda aireadores{ $groups } a las { $at }
plain-why-stopped = AVERIGÜE POR QUÉ PARÓ{ $groups } y luego prenda otra vez
plain-keep-on = siga con lo que está en marcha:{ $groups }
plain-rest = no hace falta aireación en las próximas horas
plain-none = no hay consejo posible
plain-until = hasta { $at }
plain-said-at = Dicho a las { $at }.

## Lo que se hizo, una línea cada cosa.

kind-limit = límite
deed-feed = { $kg } kg de alimento
deed-tray = resto en plato { $left } %
deed-slurry-kg = { $kg } kg de lechada
deed-lot = lote { $lot }
deed-against = contra lo aconsejado ({ $reason }): { $against }
deed-no-reason = nadie dice por qué
deed-containers = { $emptied } envases vaciados
deed-levels = nivel { $before } a { $after } m
deed-filled = llenado a { $level } m
deed-sampling = { $count } camarones, { $grams } g: { $each } g cada uno
deed-stocking = { $count } sembrados
deed-dead = { $count } muertos
deed-dead-kg = { $kg } kg muertos
deed-final = cosecha final
deed-partial = cosecha parcial
deed-count = quedan { $left } envases
deed-count-delivered = llegaron { $delivered } desde el último conteo
deed-count-reason = faltan porque: { $reason }
deed-withdrawn = retirada: { $reason }
deed-cost = { $item }: { $amount } gastados
deed-price = { $item }: { $amount } por { $per }
deed-reading = { $name } { $value } { $unit } a mano

link-closed = el programa cerró la conexión
link-no-answer = el programa no respondió en { $seconds } s
link-not-running = ningún pondreeve responde en { $path }: arránquelo con `pondreeve run --config FILE`, o diga su socket con --socket
link-not-allowed = { $path } no deja entrar a este usuario: pida entrar al grupo dueño (`ls -l { $path }` dice cuál)
link-broken = se cortó la conexión con el pondreeve en { $path }: { $detail }
link-not-understood = lo que responde en { $path } no es esta versión de pondreeve: { $detail }

# Partes del equipo.
part-store = almacén
part-bus = bus
part-broker = broker
part-forward = envío
part-clock = reloj
part-program = programa
part-horn = bocina
part-call = llamadas
part-machine = computadora
