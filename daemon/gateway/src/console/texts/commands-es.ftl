### Lo que dicen los comandos de líneas simples además de `status` y `alarms`.

## Cualquier comando.

mind = Ojo: { $warning }
command-no-pond = no hay estanque '{ $id }' en la finca; se acepta { $known }
command-other-answer = lo que responde en { $path } no es esta versión de pondreeve: dio una respuesta de otra clase
command-no-time = el programa no dijo qué hora es en la finca
time-ahead = está en el futuro, ahora es { $now }
time-none = no es una hora
time-not-of-day = no es una hora del día
time-no-calendar = no cabe en el calendario
time-refused = { $option } { $typed } { $why }; se acepta una hora de la finca de las últimas 24 horas, como 06:30, un día y una hora como "2026-03-01 06:30", o RFC 3339 con su diferencia, como 2026-03-01T11:30:00Z

## acknowledge

acknowledged-over = Reconocida: { $name }. Ya pasó y sale de la lista.
acknowledged-now = Reconocida a las { $at } por { $by }: { $name }.
acknowledged-before = Ya estaba reconocida, a las { $at } por { $by }: { $name }.
acknowledged-you = usted
acknowledged-stands = Sigue en alarma: { $message }
acknowledged-horn = La bocina suena otra vez en 10 minutos si no mejora.
acknowledged-others = Todavía sin reconocer:
acknowledged-not = no se reconoció '{ $id }': no hay tal alarma; { $accepted }
acknowledged-none-waits = ninguna alarma espera que la reconozcan
acknowledged-accepted = se acepta { $ids }

## shelve, unshelve, reset

shelving-done = Apartada hasta { $until } por { $by }: { $name } ({ $id }). Motivo: { $reason }. A esa hora vuelve sola, en alarma si la causa sigue. Avise a quien está de guardia.
shelving-calm = { $id } no está en alarma.
shelving-stands = Sigue en alarma, { $state }: { $message }
shelving-empty = no se apartó '{ $id }': --reason está vacío; diga en pocas palabras por qué
shelving-no-reason = '{ $id }' se apartó sin motivo; todas las listas y el registro dicen "{ $told }". Diga por qué con --reason TEXT
shelving-why = ¿Por qué se aparta?
shelving-needs-why = no se apartó '{ $id }': hace falta un motivo, en pocas palabras
shelving-not-asked = no se pudo preguntar por qué se aparta '{ $id }': { $error }

## enter

entered-head = Anotado en { $pond } { $name }, muestra tomada a las { $at }:
entered-converted = { $typed } mg/L como { $from } son { $stored } mg/L como { $to }, y eso se guardó.
entered-taken-as = { $id } se tomó como { $kept }. Si el kit cuenta otra cosa, escriba { $id }={ $typed }:COMO, con { $bases } en lugar de COMO.
entered-no-reading = Sonda { $probe }: no hay lectura a 15 minutos o menos de la muestra con que comparar.
entered-compared = La sonda { $probe } marcó { $read }{ $unit }{ $judged } a las { $at }; a mano { $difference }{ $unit }.
entered-check-probe = Es más de { $limit }{ $unit }: revise la sonda. Mida otra vez junto a ella; si sigue así, limpie la sonda y compare de nuevo.
entered-nothing = no se anotó nada:
entered-what-kit = { $id } { $typed }: ¿qué cuenta el kit, { $bases }?
entered-not-asked = no se anotó nada: no se pudo preguntar qué cuenta el kit: { $error }
entered-no-pair = '{ $typed }' no es MEDIDA=VALOR, como tan_mg_l=0.9
entered-derived = '{ $id }' lo calcula pondreeve y no se anota
entered-no-quantity = '{ $id }' no es una medida
entered-twice = '{ $id }' está dos veces; se acepta una
entered-quantities = se aceptan las medidas { $ids }
entered-no-number = { $id } es '{ $typed }'; se acepta un número solo, de { $low } a { $high }, { $unit }, con punto para los decimales
entered-no-basis = { $id } es { $typed }:{ $basis }; se acepta un número solo, { $unit }
entered-other-basis = { $id } no se cuenta como '{ $basis }'; se acepta { $bases }
entered-state = { $id } es { $value }; se acepta 0 (parado) o 1 (en marcha)
entered-range = { $id } es { $value }; se acepta { $low } a { $high }, { $unit }
entered-range-as = { $id } es { $value } como { $from }, que son { $stored } como { $to }; se acepta { $low } a { $high }, { $unit } como { $to }
entered-no-unit = sin unidad
entered-unit = en { $unit }
meaning-moment = { $value } mg/L a pH { $ph } y { $warmth } C
meaning-now = ahora { $told }
meaning-worst = en la peor hora de las últimas 24, desde { $at }, { $told }
meaning-unknown = El NH3-N (no ionizado) no se puede decir: no se conoce un pH con su temperatura. Anote también ph y temperature_c.
meaning-fresh = No se conoce la salinidad: como en agua dulce, que es el lado seguro.
meaning-told = NH3-N (no ionizado) de ese TAN: { $known }. { $salt }El margen es por { $ph } de pH y { $warmth } C; el paso del propio kit va aparte.

## record

recorded-no-pond = no se anotó nada: no se dijo en qué estanque; agregue --pond, se acepta { $known }
recorded-unsure = { $message }. Cuente y pese otra vez; si así fue, agregue --confirm-mismatch
recorded-was-it-so = ¿Fue así de todos modos? Escriba sí, o Enter para dejarlo:
recorded-why = ¿Por qué se dio? Escriba el motivo, o Enter para dejarlo:
recorded-not-asked = no se anotó nada: no se pudo preguntar por la diferencia: { $error }
recorded-withdrawal = no se anotó nada: un retiro no lleva --correct
recorded-as = Guardado como anotación { $number }, estanque { $pond } { $name }:
recorded-in-place = Guardado como anotación { $number }, en lugar de la anotación { $corrected }, estanque { $pond } { $name }:
recorded-wrong = ¿Está mal? pondreeve record --pond { $pond } --correct { $number } { $kind } ..., o withdraw { $number } --reason ...
recorded-until = { $at } a { $stop }
list-cut = Hay más: pida menos días, o use pondreeve export --diary.
list-none = No hay nada anotado en los últimos { $days } días.
list-too-long = { $days } días son demasiados
list-withdrawn = {" "}RETIRADA: { $reason }.
list-superseded = {" "}CORREGIDA por la anotación { $later }.
list-in-place = {" "}(en lugar de la anotación { $earlier })
list-line = { $when } { $kind }: { $words }{ $instead }, por { $by }.{ $state }

## calibrate

service-needs-terminal = calibrar paso a paso necesita una terminal: nombre un paso, como begin (vea --help)
service-nothing-known = { $probe } está en servicio, y no se sabe de ningún servicio anterior.
service-not-done = no se hizo el servicio de { $probe }: { $message }
service-one-quantity = --reading es para una sola medida: dé con ella un solo MEDIDA=VALOR
service-no-number = { $quantity }={ $typed } no es un número: se acepta 5.3, o - sin medidor de mano
service-out = { $probe } está fuera de servicio desde { $since }, por { $by }; vuelve sola a las { $until }.
service-in = { $probe } está en servicio.
service-last = { $name }, último servicio { $at }: suciedad { $fouling }, deriva { $drift }; { $outcome }. La corrección se reparte hacia atrás hasta { $from }.
service-last-rejected = demasiado desviada: se rechaza lo leído en ese tiempo
service-last-adopted = ajuste aceptado: por { $gain }, y se suma { $shift }
service-last-nothing = sin ajuste
service-fouling = suciedad { $value }
service-fouling-unknown = suciedad no conocida
service-drift = deriva { $value }
service-drift-unknown = deriva no conocida
service-adopted = ; ajuste aceptado: por { $gain }, y se suma { $shift }
service-would-be = ; el ajuste sería por { $gain }, y sumar { $shift }
service-factor = ; los patrones piden un factor de { $gain }, que no se acepta: revise el patrón y la unidad
service-slope = ; pendiente { $slope } %
service-offset = , desvío { $offset } mV
service-replace = : fuera de lo que se acepta, CAMBIE EL SENSOR
service-beyond = ; las lecturas desde el último servicio están demasiado desviadas para corregirlas
service-next-before = Sigue: before MEDIDA=VALOR; luego límpiela y diga cleaned.
service-next-after = Sigue: after MEDIDA=VALOR; luego standard MEDIDA=PATRÓN.
service-next-adopt = Sigue: otro patrón (standard), o adopt, o end sin aceptar el ajuste.
service-next-end = Sigue: devuélvala al estanque; luego end.
walk-caution = Corte la corriente de los aireadores y póngale candado antes de meter la mano al estanque. De noche no trabaje solo. Enjuague con agua limpia; nada de ácido, nada abrasivo en la tapa de oxígeno.
walk-oxygen = oxígeno, mg/L
walk-ph = pH
walk-salinity = salinidad, PSU
walk-conductivity = conductividad, mS/cm
walk-temperature = temperatura, C
walk-accepts-air = air, zero o un número
walk-accepts-buffers = buffer7, buffer10, buffer4 o un número
walk-accepts-near = un número cercano al del estanque
walk-going-on = { $probe } ya está fuera de servicio: se sigue.
walk-begin = ¿Sacar { $probe } de servicio ahora por media hora?
walk-yes = { $question } [s/N]
walk-nothing = No se hizo nada.
walk-before = 1. Antes de limpiar: medidor de mano junto a la sonda. Vacío para omitir una.
walk-clean = 2. Límpiela, devuélvala al estanque, espere a que marque estable. Luego Enter.
walk-after = 3. Después de limpiar: otra vez el medidor de mano junto a la sonda.
walk-standards = 4. Patrones: métala, espere a que marque estable y nombre el patrón. Vacío al terminar.
walk-found = 5. Lo que se halló:
walk-end = 6. Devuélvala al estanque. Luego Enter: queda otra vez en servicio.
walk-adopt = ¿Aceptar el ajuste?
walk-adopted = Ajuste aceptado.
walk-not-adopted = Ajuste NO aceptado: { $why }
walk-back = Otra vez en servicio.
walk-standard = { $name } ({ $accepted }):
walk-taken = anotado.
walk-hand = { $name } (- sin medidor de mano):
walk-number = Se acepta un número, - o nada.
walk-broken-off = se cortó la conversación; la sonda sigue fuera de servicio y vuelve sola: siga con el mismo comando
walk-terminal = no se pudo leer o escribir en la terminal: { $error }

## limit

changed-limit = CAMBIADO de { $configured } por { $by } a las { $at }: { $reason }
changed-but = Pero:
changed-needs-why = cambiar { $key } de { $pond }: diga por qué con --reason 'pocas palabras'; no se cambió nada
changed-no-value = { $typed } no es un límite con su valor: escriba NOMBRE=VALOR, como ph_high.warn=8.7; no se cambió nada

## plan wrong-dose

plan-wrong-end = Práctica común, sin fuente. En duda, actúe como si fuera más y llame al asesor.

## plan dose. Nombres de filas 26 columnas, números 8.

plan-head = { $pond } { $name }: { $dose } { $unit } en { $volume } m3 son { $kg } kg = { $litres } L
plan-containers = { $head } = { $containers } envases (hay que abrir { $open })
plan-no-lot = sin lote
plan-product = { $head } ({ $lot }: { $solids } % de sólidos, { $density } kg/L)
plan-three-readings = { $dose } ppm puede ser { $slurry } kg (slurry_mass), { $solids } kg (solids_mass) o { $volume } kg (slurry_volume). Aquí se toma lo primero. Diga cuál: --lot, o --basis.
plan-before-stocking = Antes de meter camarón: espere 48 h después de la dosis, y lea el pH.
plan-go = Nada de lo que se sabe habla en contra de dosificar ahora.
plan-not-now-until = AHORA NO: { $reasons }. Lo más pronto: { $when }.
plan-not-now = AHORA NO: { $reasons }. Cuándo, no se puede decir hasta arreglar eso.
plan-inside = Con { $dose } { $unit } a lo más el amoníaco queda dentro de los límites: { $kg } kg
plan-inside-now = { $smaller }, ahora.
plan-inside-from = { $smaller }, lo más pronto { $when }.
plan-inside-unsaid = { $smaller }, una vez arreglado lo demás.
plan-inside-none = Ni la dosis más pequeña deja el amoníaco dentro de los límites.
plan-inside-change = Para { $dose } { $unit }: TAN de { $tan } mg/L como N a lo más, o un pH { $lower } más bajo todo el día.
plan-inside-change-tan = Para { $dose } { $unit }: TAN de { $tan } mg/L como N a lo más.
plan-no-preview = No se puede decir qué hará: hacen falta pH, temperatura y una alcalinidad por kit.
plan-without = sin ella
plan-with = con ella
plan-ph-mixed = pH después de mezclar
plan-at-most = a lo más
plan-ph-air = pH en equilibrio con aire
plan-later = un día o más después
plan-alkalinity = alcalinidad, mg/L CaCO3
plan-alkalinity-unseen = +{ $added }: los kits casi no lo ven
plan-alkalinity-added = +{ $added }
plan-nh3-peak = NH3-N, pico del día, mg/L
plan-nh3-peak-limit = límite { $limit }; pH de { $hours } h
plan-nh3-mean = NH3-N, media, mg/L
plan-nh3-mean-limit = límite { $limit }
plan-h2s = H2S, parte del sulfuro, %
plan-h2s-hidden = oculto como HS-, no eliminado
plan-stops = No se disuelve toda: la brucita se detiene a pH { $ph }. Dé menos, o por partes.
plan-check-meter = Un pH errado en 0.1 mueve el NH3-N en un quinto: revise el medidor antes de una dosis grande.
plan-how = Cómo: agite el tambor, reparta por el lado de donde viene el viento, aireadores en marcha de 30 a 60 min, lejos de comederos y sondas. Lea el pH a 1, 4 y 24 h. No suelte agua en 48 h sin el asesor.
plan-caution = La lechada es alcalina: gafas, guantes, botas, agua para los ojos; nunca con ácido ni cloro. Es una guía, no reemplaza la norma local, al veterinario ni a la autoridad. Decide una persona.

## plan feed. Nombres de filas 34 columnas, valores 14, lo de al lado 28.

feed-head = { $pond }: un día de { $kg } kg de alimento ({ $whence }) con { $protein } % de proteína en { $volume } m3
feed-as-said = como se dijo
feed-mean = media de { $days } de los últimos 7 días
feed-none = { $pond }: no hay alimento anotado en los últimos siete días. Anótelo, o dígalo con --feed-kg.
feed-range = { $least } a { $most }
feed-nitrogen = nitrógeno en el alimento, kg
feed-tan = TAN, mg/L como N
feed-solids = sin sólidos, o con todo
feed-oxygen = oxígeno que gasta, mg/L
feed-oxygen-from = de aire, aireadores, algas
feed-nitrification = {"  "}de eso para nitrificar
feed-if-all = si se nitrifica todo el TAN
feed-alkalinity = alcalinidad gastada, mg/L CaCO3
feed-no-kit = ninguna conocida por kit
feed-kit = de { $now } por kit
feed-phosphorus = fósforo no retenido, mg/L como P
feed-to-sludge = lo más va al lodo
feed-how = Cómo se calculó
struvite-unknown = Estruvita: no se sabe. Hacen falta TAN y fosfato por kit de no más de 48 h, pH y temperatura.
struvite-measured = medido
struvite-as-sea = como en agua de mar de esta salinidad
struvite-with = TAN { $tan }, fosfato { $phosphate }, magnesio { $magnesium } mg/L ({ $whence }), pH { $ph }
struvite-in-water = en el agua
struvite-in-pore = en el agua dentro del lodo
struvite-below = Estruvita { $place }: índice { $index }, { $times } veces bajo la saturación con { $with }. No se forma, y el magnesio de una dosis no cambia eso.
struvite-near = Estruvita { $place }: índice { $index } con { $with }: muy cerca de la saturación para saberlo.
struvite-above = Estruvita { $place }: índice { $index } con { $with }. Podrían formarse a lo más { $most } mg/L.
struvite-none = Estruvita { $place }: no se puede formar con { $with }.
struvite-sludge = En el agua dentro del lodo puede ser distinto: mida en ella TAN, fosfato y pH y délos con --sludge-tan, --sludge-phosphate y --sludge-ph.

## plan balance. Nombres de filas 36 columnas, valores 10.

balance-head = { $pond }, desde { $from }: { $doses }, { $feed } kg de alimento, según lo anotado
balance-one-dose = 1 dosis
balance-some-doses = { $doses } dosis
balance-not-counted = { $doses } de ellas NO CONTADAS: los sólidos o la densidad del lote no están en la configuración.
balance-alkalinity = Alcalinidad
balance-hardness = Dureza
balance-unit = { $name }, mg/L como CaCO3
balance-too-few = { $name }: menos de dos valores de kit en este tiempo. Anote uno en cada ronda: pondreeve enter --pond ESTANQUE { $id }=...
balance-first = primer valor de kit
balance-doses = dosis desde entonces, a lo más
balance-dissolved = todo disuelto
balance-nitrified = nitrificado desde entonces, a lo más
balance-all-tan = todo el TAN del alimento
balance-replaced = agua recambiada desde entonces, %
balance-expected = así que debería ser
balance-range = { $low } a { $high }
balance-last = último valor de kit
balance-unknown-water = Se recambió { $share } % del agua, y no se sabe qué trajo: dígalo con { $option }.
balance-within = El kit cuadra con lo anotado.
balance-too-little = Se dio muy poco para que un kit lo muestre: esto ni confirma las dosis ni habla en contra.
balance-above = MÁS de lo que puede dar lo anotado. Mida otra vez con un kit nuevo; ¿falta en la bitácora una dosis o cal, o entró agua?
balance-below = MENOS de lo que deja lo anotado. Mida otra vez con un kit nuevo; ¿se anotó una dosis que no se dio, o la gasta un suelo ácido o un cultivo más fuerte de bacterias?
balance-how = Cómo: ya disuelta, una dosis agrega 1.716 mg/L como CaCO3 por cada mg/L de Mg(OH)2, en alcalinidad y en dureza; nitrificar 1 mg de N gasta 7.14 de alcalinidad, con TAN = proteína x 0.144 (Ebeling, Timmons y Bisogni 2006, Aquaculture 257; de memoria). Los kits distinguen { $step } mg/L o 5 % (práctica común, sin fuente). No se cuentan suelo, lluvia, evaporación, algas ni cal fuera de la bitácora.
balance-from-after-to = --from está después de --to, o en el futuro: dé a --from el día anterior
balance-too-many = el estanque { $pond } tiene más de { $most } anotaciones entre { $from } y { $to }: dé un --from más tarde

## trial

trial-none = No hay ningún ensayo fijado. Vea pondreeve trial fix --help.
trial-head = Ensayo { $trial }{ $standing }: { $treated } tratado, { $control } control
trial-replaced = {" "}(reemplazado por el ensayo { $trial })
trial-rise = { $outcome }: debe subir
trial-fall = { $outcome }: debe bajar
trial-days = { $from } a { $to }, al menos { $before } días antes de la primera dosis y { $after } después
trial-chosen = estanques elegidos por { $by }: { $reason }
trial-fixed = fijado el { $day } por { $by }{ $place }{ $late }
trial-in-place = , en lugar del ensayo { $trial }
trial-late = , DESPUÉS DE LA PRIMERA DOSIS
trial-kept = Fijado, y en el disco para siempre. Anote alimento, agua soltada, dosis y todo lo demás que se haga en los dos estanques: lo que no se anota no se puede dar por igual.
trial-not-shown = el programa fijó el ensayo y no lo muestra
trial-no-calendar = { $from } a { $to } no cabe en el calendario; se aceptan días como 2026-05-01
outcome-dawn_minimum = oxígeno más bajo de la noche
outcome-dusk_peak = oxígeno más alto del día
outcome-night_fall = caída del oxígeno de noche
outcome-nh3_n = amoníaco no ionizado (NH3-N), media del día
outcome-tan = nitrógeno amoniacal total (TAN)
outcome-nitrite = nitrógeno de nitrito (NO2-N)
outcome-sludge_ph = pH del lodo
outcome-aeration_kwh = energía de los aireadores
compared-before_after = antes y después de la primera dosis, tratado menos control
compared-doses = el día después de cada dosis contra los tres días anteriores, tratado menos control

## evidence

result-none = no hay ensayo fijado en que se trate { $pond }; fije uno antes de su primera dosis: pondreeve trial fix --help
result-effect = Efecto
result-before = Antes
result-after = Después
result-doses = Dosis
result-interval = { $effect }{ $unit }, intervalo de 95 % de { $low } a { $high } (error estándar { $error })
result-usual = la prueba usual dice de { $low } a { $high }{ $chance }; { $why }, y no se le hace caso
result-usual-alone = mira solo el estanque tratado
result-usual-days = toma los días por independientes
result-chance = , p { $chance }
result-chance-small = , p bajo 0.001
result-shams = { $share } % de los sorteos de días sin dosis muestran lo mismo
result-others = { $share } % de otros días como primera dosis mostrarían lo mismo
result-no-days = todavía ningún día
result-worth = , que valen { $days } independientes
result-period = { $from } a { $to }: { $days } días, { $known } conocidos en ambos estanques, { $lost } perdidos{ $worth }; tratado { $treated }, control { $control } { $unit }
result-no-doses = ninguna anotada en este tiempo
result-counted = , { $count } cuentan
result-lost = { $day } no cuenta: { $why }
result-differed = Qué más fue distinto, antes de la primera dosis y después
result-noted = Anotado en uno u otro estanque
result-together = Ensayos { $trials } juntos: { $verdict }.
result-how = Cómo se calculó
result-alike = parecidos
result-share = DISTINTOS, { $share } % más allá del control
result-change = DISTINTOS, { $change } más allá del control
result-not-alike = DISTINTOS
result-not-known = no se conoce de ambos estanques
result-factor = { $factor }: tratado { $treated } a { $treated_after }, control { $control } a { $control_after } { $unit }: { $verdict }
factor-unit-aeration = kWh/día
factor-unit-feed = kg/día
factor-unit-water = % del estanque al día

## What is wrong with a command line.

usage-head = Uso:
usage-help = Más: el mismo comando con --help.
usage-no-value = falta el valor de '{ $argument }'
usage-bad-value = el valor '{ $value }' no sirve para '{ $argument }'
usage-accepted = se acepta: { $known }
usage-unknown = aquí no existe '{ $argument }'
usage-unknown-command = no existe el comando '{ $command }'
usage-missing = falta:
usage-missing-command = a '{ $command }' hay que decirle qué hacer
usage-twice = '{ $argument }' está dos veces; se acepta una
usage-conflict = '{ $argument }' no va junto con:
usage-no-equals = el valor de '{ $argument }' va después de un signo igual
usage-too-many = '{ $argument }' no lleva otro valor, como '{ $value }'
usage-too-few = '{ $argument }' lleva { $wanted } valores y tiene { $found }
usage-no-utf8 = lo que se escribió no es UTF-8
usage-meant = ¿Quiso decir { $meant }?
usage-as-value = Si '{ $value }' es un valor, escriba '{ $how }'.
usage-exists = Existe '{ $what }'.
usage-number = se acepta un número de { $least } a { $most }{ $unit }, con punto para los decimales
usage-above-nothing = se acepta un número mayor que 0 y hasta { $most }{ $unit }, con punto para los decimales
usage-whole = se acepta un número entero de { $least } a { $most }{ $unit }
usage-number-of = se acepta el número de { $what }: un entero desde 1
usage-other = se acepta { $what }
usage-shrimp = camarones
usage-days = días
usage-an-entry = una anotación
usage-a-trial = un ensayo
usage-own-unit = en la unidad de la medida
usage-shelve-lengths = un tiempo como 30m o 2h: a lo más 30m para una alarma crítica, 1h para una alta, 12h para una media
usage-scan-listen = 1s a 240s
usage-scan-watch = 5s a 180s
usage-scan-timeout = 10ms a 5s
usage-commission-wait = un tiempo como 3m o 90s
usage-service-length = un tiempo como 30m: de 1 min a 4 h
usage-pair = '{ $typed }' no es MEDIDA=VALOR, como do_mg_l=5.3
usage-head-of-trail = '{ $typed }' no es registro y hash: escriba su número, dos puntos y 64 dígitos hexadecimales
usage-line-setting = '{ $typed }' no es un ajuste de línea: escriba una velocidad de 300 a 1000000, como 9600, 19200-8E1 o 1200-7E1
usage-scan-server = '{ $typed }' no es equipo y puerto de un servidor serie: escriba por ejemplo 192.168.1.50:502
usage-addresses = '{ $typed }' no es una lista de direcciones: escriba números de 1 a 247, como 1-20,51
usage-sdi12-addresses = '{ $typed }' no es una lista de direcciones SDI-12: escriba caracteres de 0-9, A-Z, a-z, como 0-9 o 1,A-F

## En qué más puede fallar cualquier comando.

command-no-configuration = no se puede usar la configuración { $path }:
command-no-runtime = no se pudo arrancar este comando: { $error }
command-no-json = no se pudo escribir la respuesta en JSON: { $error }
command-no-output = no se pudo escribir en la salida estándar: { $error }
command-no-day = { $option } '{ $typed }' no es un día: escriba un día de la finca, como 2026-03-17, o RFC 3339 con su diferencia, como 2026-03-17T05:00:00Z
recorded-list = una lista no anota nada

## alarms --measures. Nombres de filas 44 columnas, cifras 12, metas 22.

load-head = Alarmas de los últimos { $days } días
load-measured = medido
load-aim = meta
load-day = nuevas por día, media
load-day-aim = menos de 10
load-night = nuevas por noche, media
load-night-aim = menos de 2
load-ten = nuevas en diez minutos, media
load-ten-aim = cerca de 1, máximo 2
load-most = la mayor cantidad en diez minutos
load-most-aim = máximo 10
load-flooded = lapsos de diez minutos con más de diez
load-flooded-aim = menos de 1 %
load-priority = críticas, altas, medias
load-priority-aim = cerca de 5, 15, 80 %
load-frequent = parte de las diez más frecuentes
load-frequent-aim = menos de 5 %, o plan
load-chatter = repetidas: tres veces en media hora
load-chatter-aim = ninguna
load-stale = viejas: siguen desde hace más de un día
load-stale-aim = menos de 5
load-shelved = apartadas ahora; apartadas en total
load-waited = reconocidas después de, mediana
load-waited-aim = crítica: 15 min
load-little = Todavía se conoce menos de un día: estas cifras dicen poco.
load-list = Las más frecuentes
load-chattering = Repetidas
load-standing = Viejas
load-aside = Apartadas
load-flood = Hay una avalancha: llegan más alarmas de las que se pueden leer. Atienda la primera.

## status --probes. Los números de abajo terminan donde terminan estos nombres.

probes-head = sonda           turnos buenos tard  sum otra neg  ruid  p50 ms p95 ms última
probes-means = tard: sin respuesta a tiempo. sum: suma mala. otra: otra dirección. Hora UTC.

## report, export

report-no-page = --out { $named } no termina en .html: dé el nombre de la página, como { $better }
report-not-made = no se pudo hacer la página: { $error }
report-no-table = no se pudo escribir una tabla: { $error }
report-not-written = no se pudo escribir { $path }: { $error }; --out es un archivo en una carpeta que existe
report-too-long = un informe abarca a lo más { $days } días: dé un --from más tarde o un --to más temprano
report-too-many = hay más de { $most } anotaciones entre { $from } y { $to }: dé un --from más tarde
export-trail-form = el registro de auditoría no tiene forma { $form }: se acepta csv o json
export-diary-form = la bitácora no tiene forma { $form }: se acepta csv o json
export-not-for-screen = Parquet no es para la pantalla: mándelo a un archivo, por ejemplo con > readings.parquet
export-no-quantity = no hay una medida '{ $id }'; se acepta { $known }
export-from-after-to = --from está después de --to, o es lo mismo: dé a --from la hora anterior
export-no-time = { $option } '{ $typed }' no es una hora ({ $why }): escriba RFC 3339 con su diferencia, como 2026-05-01T02:10:00Z
export-form-failed = no se pudo escribir { $form }: { $error }
export-too-many = más de { $most } entre { $from } y { $to }: pida menos

## backup, verify, salvage

backup-no-path = { $folder } no es una ruta: { $error }
backup-not-utf8 = { $folder } no es UTF-8: dé una carpeta en letras simples
backup-done = { $pieces } piezas escritas en { $folder } y ya en el disco
salvage-exists = { $place } ya existe: dé un lugar donde no haya nada
verify-whole = entero: { $pieces } piezas selladas, { $inputs } entradas
verify-damaged = DAÑADO O FALTANTE en { $places } lugares; buenas son { $pieces } piezas selladas, { $inputs } entradas
verify-no-list = hecho por una versión anterior, sin lista de sus archivos: si falta uno, aquí no se ve

## commission

commission-time = La hora de la finca es { $at }.
commission-question = Pregunta { $place } de { $of }
commission-horn-now = Ahora se enciende la bocina por un momento.
commission-lamp-now = Ahora se enciende la lámpara por un momento.
commission-not-made = no se pudo hacer la hoja: { $error }
commission-not-written = no se pudo escribir { $path }: { $error }
commission-no-program = no se halló este programa para arrancarlo: { $error }
commission-not-started = no se pudo arrancar un programa para la revisión: { $error }
commission-own-daemon = No responde ningún programa: se arranca uno mientras dura esta revisión.
commission-ended = el programa arrancado para la revisión terminó en seguida ({ $status }): pruebe `pondreeve run`, que dice por qué
commission-no-answer = el programa arrancado para la revisión no respondió en 30 s
commission-waiting = Sondas de las que aún no se sabe: { $probes }. Se espera a lo más { $most }.
commission-prompt = [s/n, Enter para omitir]
commission-accepted = Se acepta s, n o Enter.
sheet-title = Hoja de entrega
sheet-head = HOJA DE ENTREGA  { $farm } (equipo { $gateway })
sheet-gateway = Equipo
sheet-good = en orden
sheet-bad = MAL
sheet-not-checked = no revisado
sheet-probes = Sondas
sheet-aerators = Aireadores
sheet-outputs = Bocina y lámpara
sheet-lines = Líneas
sheet-brokers = Brokers y destinos
sheet-clock = Reloj
sheet-store = Almacén
sheet-horn = bocina
sheet-lamp = lámpara
sheet-all-ponds = todos los estanques
sheet-probe = { $probe } en { $place }, por { $link }
sheet-not-heard = todavía no se supo de ella
sheet-gave-nothing = no dio nada en { $polls } turnos{ $why }
sheet-why-silent = sin respuesta a tiempo { $count }
sheet-why-checksum = suma de control errada { $count }
sheet-why-address = otra dirección { $count }
sheet-why-refused = rechazadas { $count }
sheet-why-garbled = ilegibles { $count }
sheet-why-no-value = respuestas sin valor { $count } (bajo o sobre rango, o su propia marca de ninguno)
sheet-value = { $quantity } { $value } ({ $flag }, hace { $age } s)
sheet-no-value = { $quantity } sin valor que sirva ({ $flag })
sheet-polls = { $good } de { $polls } turnos buenos
sheet-answers = responde en { $ms } ms
sheet-time-outs = sin respuesta
sheet-checksums = con suma de control mala
sheet-addresses = respondió otra dirección
sheet-exceptions = se negó
sheet-garbled = ilegible
sheet-flag-good = buena
sheet-flag-not-judged = sin juzgar todavía
sheet-flag-suspect = dudosa
sheet-flag-failed = no pasó sus pruebas
sheet-flag-missing = falta
sheet-group = grupo { $group } de { $pond } ({ $name })
sheet-group-untold = ninguna sonda dice si está en marcha
sheet-group-runs = en marcha, { $kw } kW
sheet-group-stands = parado, según su sonda
sheet-group-not-yet = su sonda todavía no dijo si está en marcha
sheet-no-output = no hay ninguna en la configuración: las alarmas se ven solo en la pantalla, y las sabe a quien se llama
sheet-bus = bus
sheet-line = línea
sheet-broker = broker
sheet-destination = destino
sheet-no-fault = { $place }: sin falla
sheet-the-clock = reloj
sheet-clock-kept = lo tiene en hora un servidor de tiempo o un receptor
sheet-clock-not-kept = NADA lo tiene en hora: se irá desviando, y un corte de luz lo puede atrasar
sheet-clock-unknown = nada dice si algo lo tiene en hora
sheet-clock-seen = hora de la finca { $at } (UTC), a { $apart } s de la de esta máquina; { $kept }
sheet-the-store = almacén
sheet-free-unknown = espacio libre no conocido
sheet-free = { $mb } MB libres
sheet-store-full = { $place }: solo { $free }
sheet-store-good = { $place }: recibe lecturas, { $free }
sheet-hangs = { $probe } está en { $pond }
sheet-lift = Saque la sonda { $probe } del estanque { $pond } ({ $name }) por un minuto, desde el muro. ¿Muestra `pondreeve status` que cambia el oxígeno de { $pond }, y de ningún otro estanque?
sheet-told-right = el grupo { $group } de { $pond } se ve bien
sheet-switch = Apague y encienda el grupo de aireadores { $group } del estanque { $pond } ({ $name }) en su propio tablero, sin nadie en el agua. ¿Muestra `pondreeve status` que ese grupo, y ningún otro, se para y arranca?
sheet-did-it-sound = ¿Sonó la bocina ahora, y se oye donde duerme la gente?
sheet-was-it-lit = ¿Se encendió la lámpara ahora?
sheet-telephone = el reloj contra un teléfono
sheet-does-it-agree = ¿Coincide la hora de la finca de arriba con la de un teléfono, al minuto?
sheet-not-tested = no se pudo probar: { $why }
sheet-seen = lo vio una persona
sheet-says-no = una persona dice que no
sheet-switched = se encendió por un momento, confirmado; { $seen }
sheet-counts = { $points } puntos: { $good } en orden, { $bad } mal, { $rest } no revisados
sheet-meaning = Revisado en un momento, hasta donde el equipo puede ver. El equipo nunca enciende ni apaga un aireador: sus únicas salidas son la bocina y la lámpara.
sheet-what = Qué
sheet-what-seen = Lo visto
sheet-verdict = Resultado
sheet-before = Antes de recibir
sheet-signatures = Firmas
sheet-installed = Instaló y revisó
sheet-taken-over = Recibió
sheet-signature = Fecha y firma
sheet-caution-doubt = En duda, arranque aireadores y vaya a ver. Una sonda ve un solo punto a una sola profundidad, el pronóstico es un cálculo, las redes de teléfono fallan: que no haya alarma no prueba que todo esté bien.
sheet-caution-current = Electricidad y agua: nadie en el estanque con los aireadores energizados. Corte, candado, tarjeta. Ninguna reparación se guía por este equipo; deciden un electricista autorizado y la norma local.
sheet-caution-night = Rondas de noche: camine, no corra. Linterna, chaleco, una hora de aviso en el teléfono; avise antes de salir. Con rayos, bajo techo.
sheet-caution-sulfide = El sulfuro de hidrógeno se junta en fosas de lodo, drenajes, cárcamos y tanques, y la nariz deja de sentirlo. Nunca entre solo, ni a rescatar: medidor de gas, ventilación, gente entrenada. Los valores del agua (mg/L) no dicen nada del aire (ppm).
sheet-caution-slurry = La lechada es alcalina: gafas, guantes, botas, agua para los ojos a la mano. Nunca la mezcle con ácido, cloro ni otros productos; guarde la hoja de seguridad del proveedor.
sheet-caution-water = El agua y el lodo que se sueltan pueden necesitar permiso, sedimentación o aviso: pregunte el límite local. Nada en las 48 horas después de una dosis sin el asesor.
sheet-caution-guidance = Es una guía, no reemplaza la norma local, al electricista autorizado, al veterinario ni a la autoridad.

## check: en qué resulta una configuración sana. Los problemas de una configuración se dicen en inglés.

check-no-profile = ningún perfil incluido se llama { $name }: hay { $known }
check-no-configuration = no hay configuración que revisar: dígala con --config ARCHIVO
check-sound = { $file } está bien.
check-sound-but-one = { $file } está bien, con 1 advertencia arriba.
check-sound-but = { $file } está bien, con { $warnings } advertencias arriba.
check-farm = { $farm } (equipo { $gateway }): estanques { $ponds }, sondas { $probes }
check-pond = estanque { $id }  { $name }
check-size = {"  "}{ $area } m2, { $depth } m de hondo, { $volume } m3
check-no-aerators = {"  "}sin aireadores
check-aerators = {"  "}aireadores { $groups }: { $kw } kW
check-limits = {"  "}límites de oxígeno: aviso { $warn }, crítico { $critical }, emergencia { $emergency } mg/L
check-probes = sondas:
check-for-all = para todos los estanques:
check-several = varias:
check-lowest-of = { $id } la más baja de { $all }
check-from = { $id } de { $first }
check-stand-in = de reserva { $rest }
check-bus = bus { $id }  { $place }
check-bus-load = {"  "}{ $setting }, { $probes } sondas, { $percent } % del tiempo de la línea
check-behind = Modbus { $framing }, { $baud } bits/s detrás
check-line = línea { $id }  { $place }
check-line-probes = {"  "}{ $kind }, { $setting }, { $probes } sondas
check-text = líneas de texto
check-broker = broker { $id }  { $place }, { $probes } sondas
check-destination = destino { $id }  { $place }
check-tls = { $place } con TLS
check-commands = órdenes  de { $people } por { $by }
check-horn = bocina
check-lamp = lámpara
check-coil = bobina { $coil } del relé { $relay } en el bus { $bus }
check-inverted = , invertida
check-gpio = línea { $line } de { $chip }
check-active-low = , activa en bajo
check-horn-test = probada cada día a las { $at } por { $sound }
check-no-horn = sin bocina: una alarma no suena aquí
check-nobody-called = no se llama a nadie
check-called = se llama a
check-at-once = { $name } en seguida
check-after = { $name } después de { $length }
check-then-each = luego cada { $length }
check-none = ninguna

## plan dose: cuánto puede errar el NH3-N

plan-nh3-band = { $note }; ±{ $half }

## scan

scan-none = nada responde
scan-one-unit = responde 1 aparato
scan-units = responden { $count } aparatos
scan-one-sensor = responde 1 sensor
scan-sensors = responden { $count } sensores
scan-nothing-readable = no llegó nada legible
scan-lines-came = llegaron líneas
scan-of-line = {" "}(línea { $line })
scan-twice = dirección { $address } a { $setting }: llegaron dos respuestas a una pregunta: dos sondas con esta dirección
scan-garbled = dirección { $address } a { $setting }: llegaron { $bytes } bytes, pero ninguna respuesta válida: dos sondas con esta dirección, ruido, o un cable o terminador malo
scan-garbled-by = dirección { $address } por { $setting }: llegaron { $bytes } bytes, pero ninguna respuesta válida: dos sondas con esta dirección, ruido, un cable malo, u otra velocidad o paridad en el servidor que en la sonda
scan-garbled-sensor = dirección { $address } a { $setting }: llegaron { $bytes } bytes, pero ninguna respuesta válida: dos sensores con esta dirección, ruido, o un cable malo
scan-noise = ; llegaron { $bytes } bytes de ruido antes de preguntar nada
scan-absent = ; de { $count } el servidor dice que allí no responde nada
scan-no-text = ; llegaron { $bytes } bytes que no son texto: otra velocidad, o ruido
scan-tried = Se probó { $setting }: direcciones { $addresses }{ $noise }
scan-tried-text = Se probó { $setting }{ $noise }
scan-took = Tomó { $seconds } s, con { $patience } ms de espera por respuesta.
scan-took-in-all = Tomó { $seconds } s.
scan-stopped = SE DETUVO ANTES: { $why }.
scan-not-tried = No se probó: { $left }.
scan-next = Sigue: { $step }
scan-known-as = , en la configuración como { $ids }
scan-known-with = ; en la configuración con { $ids }
scan-unit = dirección { $address } a { $setting }, responde en { $ms } ms{ $known }
scan-unit-by = dirección { $address } por { $setting }, responde en { $ms } ms{ $known }
scan-sensor = dirección { $address } a { $setting }{ $known }
scan-calls-itself = se llama: { $name }
scan-nameless = no dice qué es: { $why }
scan-another-map = {" "}(otro mapa también cuadra con estos registros)
scan-another-profile = {" "}(otro perfil también cuadra)
scan-more-values = {" "}(llegan más valores de los que conoce: no prueba nada)
scan-no-evidence = {" "}(solo ceros o valores raros: no prueba nada)
scan-fits = cuadra con { $profile }{ $doubt }
scan-no-map = no cuadra ningún mapa de registros de los probados:
scan-no-profile = no cuadra ningún perfil de los probados:
scan-holding = registros holding desde 0: { $values }
scan-input = registros input desde 0: { $values }
scan-no-value = ninguno
scan-impossible = no puede ser
scan-unusual = raro en estanque
scan-usual = usual en estanque
scan-left-addresses = direcciones { $addresses } a { $setting }
scan-left-addresses-by = direcciones { $addresses } por { $setting }
scan-left-settings = { $settings } (las sondas de una línea comparten un ajuste)
scan-outside-list = direcciones fuera de la lista
scan-left-ascii = Modbus ASCII (--kind ascii); SDI-12 y líneas de texto (--kind)
scan-left-rtu = Modbus RTU (--kind modbus); SDI-12 y líneas de texto (--kind)
scan-left-text = SDI-12 y líneas de texto (--kind)
scan-left-server = velocidad y paridad de la línea, que se ponen en el servidor serie mismo y no se pueden probar desde aquí; SDI-12 y líneas de texto tras un servidor
scan-left-further = más mediciones, aM1! a aM9! (--further)
scan-left-modbus = Modbus y líneas de texto (--kind)
scan-left-questions = preguntas que ningún perfil conocido hace; Modbus y SDI-12 (--kind)
scan-mend = arregle eso y busque de nuevo.
scan-check-power = revise la alimentación de las sondas, cruce los cables A y B, y busque de nuevo; luego `--timeout 400ms` para sondas lentas.
scan-check-server = vea si la velocidad y la paridad del servidor son las de las sondas y qué está puesto a hablar, revise la alimentación de las sondas, cruce los cables A y B, y busque de nuevo; luego `--timeout 1s` para las lentas.
scan-check-behind = el servidor entiende, y no oye ninguna sonda: vea si su velocidad y su paridad son las de las sondas, revise la alimentación de estas, cruce los cables A y B, y busque de nuevo.
scan-check-sdi12 = revise los cables de 12 V, datos y tierra de los sensores y busque de nuevo; `--wake adapter` si el adaptador los despierta solo.
scan-check-text = revise la alimentación, los cables de recepción y envío y la tierra; un `--listen` más largo, o `--profile ARCHIVO` con lo que se pregunta a la sonda.
scan-unplug = desenchufe todas las sondas menos una y busque de nuevo: dos con una misma dirección responden a la vez.
scan-unplug-sensors = desenchufe todos los sensores menos uno y busque de nuevo: dos con una misma dirección responden a la vez.
scan-nothing-new = no hay nada nuevo en esta línea; el programa lee lo que está en la configuración.
scan-put-it-in = compare { $file } con las etiquetas de las sondas, diga en qué estanque está cada una, póngalo en la configuración de la finca, y `pondreeve check --config ARCHIVO`.
scan-put-it-in-by-manual = compare { $file } con las etiquetas y los manuales de las sondas, diga en qué estanque está cada una, póngalo en la configuración de la finca, y `pondreeve check --config ARCHIVO`.
scan-write-it = `pondreeve scan { $line } --addresses { $addresses } --write found.toml` escribe esto como configuración.
scan-write-kind = `pondreeve scan --line { $device } --kind { $kind } --write found.toml` escribe esto como configuración.
scan-no-values-for = sin valores para { $commands }
scan-asked = a la pregunta "{ $ask }" responde
scan-by-itself = envía solo
scan-heard = a { $setting }: { $how }{ $known }
scan-ends-in = las líneas terminan en "{ $end }"
scan-promised-one = aM{ $number }! 1 valor
scan-promised-some = aM{ $number }! { $values } valores
scan-promises = dice que tiene más mediciones, sin hacer: { $each } (vea --further)
scan-told = el valor { $position } es { $told }
scan-told-known = el valor { $position } es { $told }: { $quantity }
scan-with-checksums = con sumas de control
scan-without-checksums = sin sumas de control
scan-announces-one = a{ $command }! ({ $checked }) anuncia 1 valor a los { $seconds } s
scan-announces = a{ $command }! ({ $checked }) anuncia { $values } valores a los { $seconds } s
scan-no-signals = no se pudo atender a Ctrl-C: { $error }
scan-other-kind = la línea { $line } habla otra cosa en la configuración en marcha (línea o bus { $bus }): no dé --kind
scan-server = { $line } es un servidor serie: nómbrelo con --server { $line } en lugar de --line
scan-server-speeds = la velocidad y la paridad se ponen en el servidor serie mismo y no se pueden probar desde aquí: omita --speeds
scan-server-text = tras el servidor serie { $line } hay sensores SDI-12 o líneas de texto en la configuración en marcha (línea { $bus }): tras un servidor solo se busca Modbus
scan-file-there = { $file } ya existe y nunca se pisa: dé otro archivo con --write
scan-no-pond-id = '{ $id }' no es el id de un estanque: se aceptan letras minúsculas, cifras, `-` y `_`
scan-further-only = solo los sensores SDI-12 tienen más mediciones: --further va con --kind sdi12
scan-other-profile = '{ $name }' es un perfil para { $kind }: en Modbus se busca con mapas de registros, en otras líneas con --kind
scan-no-profile-known = '{ $name }' no es un archivo ni un mapa de registros o perfil conocido: se conocen { $known }
scan-not-written = al escribir { $file }: { $error }; no se pisó nada
scan-text-addresses = una línea de texto no tiene direcciones: no dé --addresses
scan-text-wake = en una línea de texto no se despierta nada: no dé --wake
scan-watched = mirado { $looks } veces, cada segundo: último valor, menor, mayor, y de _ (menor) a ^ (mayor)
scan-text-watch = una línea de texto se escucha lo que diga --listen: no dé --watch
scan-watching = mirando { $seconds } s más (Ctrl-C lo termina): saque una sonda o tápela, y vea cuál se mueve
scan-text-further = una línea de texto no tiene más mediciones: no dé --further
scan-profile-for = el perfil `{ $profile }` es para { $kind }: dé uno de la clase de la línea
scan-trying = se prueba { $setting }
scan-time-left = , faltan { $seconds } s
scan-progress = { $setting }: dirección { $address }, { $done } de { $of }, halladas { $found }{ $left }
scan-answers = responde la dirección { $address }
scan-looking = se mira la dirección { $address }
scan-recalled = el programa necesita la línea por un momento
scan-listening = se escucha por { $seconds } s
scan-asking = se pregunta como dice el perfil { $profile }

## why, run, console

why-not-explained = no se pudo explicar '{ $id }': { $why }
run-failed = no se pudo correr la finca de { $path }: { $error }
terminal-unsuitable = no se puede abrir la consola a pantalla completa: { $found }; necesita una terminal que pueda ubicar el texto (vt100 o mejor). Use `pondreeve status` y `pondreeve alarms` para líneas simples
