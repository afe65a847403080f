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
entered-time = no se anotó nada: --at { $typed } { $why }; se acepta una hora de la finca de las últimas 24 horas, como 06:30, o RFC 3339 con su diferencia, como 2026-03-01T11:30:00Z
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
