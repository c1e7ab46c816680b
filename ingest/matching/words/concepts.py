"""Words of bench sheets by what they mean: English, German, French, Italian, Spanish, Dutch.

A concept is what a column holds (`torque`, `meter`), or a trait of it (`large`, `before`).
Words are written as people write them; `plain` makes one spelling of them.
"""

BENCH_WORDS: dict[str, str] = {
    "meter": (
        "meter, power meter, powermeter, pm, meter id, device, unit, sensor, gerät, messer, "
        "leistungsmesser, wattmesser, messgerät, gerätenummer, capteur, capteur de puissance, "
        "puissancemètre, appareil, misuratore, misuratore di potenza, dispositivo, strumento, "
        "medidor, medidor de potencia, potenciómetro, aparato, vermogensmeter, apparaat, "
        "toestel, meter no, pm id, pm nr, meter nr, geräte nr, id, kennung, inventar nr, hub, "
        "nabe, moyeu, mozzo, buje, naaf"
        "inventory no, sender"
    ),
    "serial": (
        "serial, serial number, serial no, s n, sn, seriennummer, serien nr, numéro de série, n "
        "de série, matricola, numero di serie, número de serie, serienummer"
    ),
    "day": (
        "date, day, measured on, test date, calibration date, cal date, datum, tag, messtag, "
        "prüfdatum, kalibrierdatum, gemessen am, date de mesure, jour, data, giorno, fecha, "
        "día, dag, meetdatum, measured at, date time, datetime, when, wann, quand, quando, "
        "cuando, le"
    ),
    "time": (
        "time, clock, hour, uhrzeit, zeit, uhr, heure, ora, orario, hora, tijd, start time, "
        "time of day, beginn"
    ),
    "technician": (
        "technician, mechanic, mech, by, tech, who, done by, measured by, operator, initials, "
        "prüfer, mechaniker, von, wer, kürzel, bearbeiter, gemessen von, visum, mécanicien, "
        "opérateur, par, qui, meccanico, operatore, chi, tecnico, técnico, mecánico, quién, "
        "monteur, door, wie, init, sign, signature, unterschrift, name"
    ),
    "place": (
        "place, location, site, workshop, where, ort, standort, werkstatt, messort, lieu, "
        "atelier, luogo, officina, lugar, taller, sede, plaats, locatie, werkplaats"
    ),
    "bench": (
        "bench, mass set, satz, weight set, weights id, masses id, set, prüfstand, gewichtssatz, "
        "massensatz, gewicht nr, jeu de masses, banc, banco, set di pesi, juego de pesas, "
        "gewichtenset, testbank, bench id"
    ),
    "mass": (
        "mass, weight, load, masse, gewicht, last, prüfgewicht, prüfmasse, kalibriergewicht, "
        "masses, poids, charge, massa, peso, carico, masa, pesa, carga, massa, belasting, hung, "
        "test mass, test weight, cal weight, reference mass, ref mass, wt, m, gew, kilos, kg"
    ),
    "hanger": (
        "hanger, hook, strap, hanger mass, hook and strap, gehänge, haken, aufhängung, gurt, "
        "bügel, crochet, sangle, gancio, cinghia, gancho, correa, haak, riem, tare, tara"
    ),
    "crank": (
        "crank, crank length, arm length, lever, lever arm, length, kurbel, kurbellänge, "
        "kurbelarmlänge, hebelarm, hebel, länge, kl, manivelle, longueur, longueur de "
        "manivelle, bras de levier, pedivella, lunghezza, lunghezza pedivella, biela, bielas, "
        "longitud, longitud de biela, cranklengte, lengte, crank len, v kurbel"
    ),
    "temperature": (
        "temperature, temp, ambient, air temp, room temp, t air, temperatur, raumtemperatur, "
        "lufttemperatur, température, température ambiante, temperatura, temperatuur, deg c, "
        "degrees"
    ),
    "torque": (
        "torque, reading, readings, shown, display, displayed, measured, measurement, value, "
        "actual, tq, trq, indicated, drehmoment, moment, anzeige, angezeigt, messwert, messung, "
        "ist, ablesung, wert, istwert, couple, lecture, affiché, mesure, mesuré, valeur, "
        "coppia, lettura, misura, misurato, valore, momento, par, lectura, medida, medido, "
        "valor, koppel, aflezing, meting, gemeten, waarde, gauge, run, rdg"
    ),
    "expected": (
        "expected, target, theoretical, nominal, true, should, should be, calculated, reference "
        "torque, soll, sollwert, theoretisch, berechnet, erwartet, attendu, théorique, cible, "
        "calculé, atteso, teorico, calcolato, esperado, teórico, calculado, verwacht, "
        "mgl, m g l, theoretisch, berekend, ref, reference, t ref, erwartung, debido, dovuto, doel"
    ),
    "zero": (
        "zero, offset, zero offset, zero reading, tare reading, unloaded, no load, empty, null, "
        "nullpunkt, nullwert, nullstellung, leer, unbelastet, ohne last, zéro, à vide, sans "
        "charge, décalage, a vuoto, scarico, senza carico, cero, en vacío, sin carga, nul, "
        "nulpunt, onbelast, leeg, zro, zeroing, z"
    ),
    "slope": (
        "slope, cal, cal factor, calibration factor, calibration value, cal value, calibration, "
        "sensitivity, scale factor, factor, slope value, steigung, steig, empfindlichkeit, "
        "kalibrierfaktor, kalibrierwert, faktor, pente, sensibilité, facteur, facteur "
        "d'étalonnage, pendenza, sensibilità, fattore, pendiente, sensibilidad, helling, "
        "gevoeligheid, kalibratiefactor, hz nm, slp, coefficient, kalibratie, hellingsgetal"
    ),
    "before": (
        "before, as found, found, old, pre, initial, in, vorher, vor, alt, eingang, "
        "vorgefunden, alter, alte, avant, ancien, ancienne, trouvé, initial, prima, vecchio, "
        "vecchia, trovato, iniziale, antes, antiguo, viejo, encontrado, inicial, voor, oud, "
        "oude, gevonden, asfound, was, previous"
    ),
    "after": (
        "after, as left, left as, new, post, final, nachher, nach, neu, ausgang, hinterlassen, "
        "neuer, neue, après, nouveau, nouvelle, laissé, dopo, nuovo, nuova, lasciato, finale, "
        "después, nuevo, dejado, final, na, nieuw, nieuwe, achtergelaten, asleft, set to, now"
    ),
    "large": (
        "large, big, outer, large ring, big ring, outer ring, gross, groß, großes, grosses, "
        "großes blatt, kettenblatt groß, grand, grand plateau, grande, corona grande, plato "
        "grande, groot, groot blad, buitenblad, lg, bcr, gp, gr blatt, gr kb, big chainring, "
        "grosse, gr"
    ),
    "small": (
        "small, little, inner, small ring, inner ring, klein, kleines, kleines blatt, "
        "kettenblatt klein, petit, petit plateau, piccolo, piccola, corona piccola, pequeño, "
        "pequeña, plato pequeño, chico, klein blad, binnenblad, sm, lcr, kl blatt, kl kb, small "
        "chainring, kleine, inneres"
    ),
    "left": (
        "left, l, left arm, lh, left side, non drive, nds, links, li, linke, linker, gauche, g, "
        "bras gauche, sinistra, sinistro, sx, izquierda, izquierdo, izq, linkerkant, lhs, left "
        "crank, linke kurbel"
    ),
    "right": (
        "right, r, right arm, rh, right side, drive side, ds, rechts, re, rechte, rechter, "
        "droite, droit, d, bras droit, destra, destro, dx, derecha, derecho, der, rechterkant, "
        "rhs, right crank, rechte kurbel"
    ),
    "up": (
        "up, loading, increasing, aufwärts, steigend, belasten, montée, salita, subida, "
        "oplopend, crescente, ascendente"
    ),
    "down": (
        "down, unloading, decreasing, abwärts, fallend, entlasten, descente, discesa, bajada, "
        "aflopend, decrescente, descendente"
    ),
    "mean": (
        "mean, average, avg, mittel, mittelwert, durchschnitt, schnitt, moyenne, moy, media, "
        "promedio, gemiddelde, gem, mw, mean value, mid, mitt"
    ),
    "deviation": (
        "deviation, error, err, diff, difference, delta, dev, abweichung, fehler, differenz, "
        "abw, écart, erreur, différence, scarto, errore, differenza, desviación, diferencia, "
        "desvío, afwijking, loss, verlust, perte, perdita, pérdida, verlies, fout, verschil, "
        "ratio, verhältnis, percent, prozent, balance, gain "
        "error, hysterese, hysteresis, out by, off by, dif"
    ),
    "spread": (
        "sd, stdev, std, standard deviation, spread, range, streuung, stabw, "
        "standardabweichung, spannweite, écart type, dispersion, deviazione standard, "
        "desviación estándar, standaardafwijking, spreiding"
    ),
    "net": (
        "net, corrected, netto, korrigiert, bereinigt, corrigé, corretto, corregido, "
        "gecorrigeerd, minus zero, less zero, zero corrected, nullkorrigiert, net torque, nette"
    ),
    "verdict": (
        "ok, pass, result, verdict, status, passed, tolerance, limit, in tolerance, ergebnis, "
        "bestanden, toleranz, io, in ordnung, résultat, conforme, tolérance, risultato, esito, "
        "tolleranza, resultado, tolerancia, resultaat, akkoord, tolerantie, check, done, "
        "erledigt, checked, grenze, max, min, decision"
    ),
    "note": (
        "note, notes, remark, remarks, comment, comments, bemerkung, bemerkungen, notiz, "
        "anmerkung, kommentar, remarque, remarques, commentaire, nota, note, osservazioni, "
        "commento, observaciones, comentario, notas, opmerking, opmerkingen, bem, anm, obs, "
        "info"
    ),
    "counter": (
        "number, no, nr, row, line, lfd nr, zeile, laufende nummer, numéro, n, ligne, riga, "
        "fila, rij, try, tries, attempt, versuch, essai, prova, intento, poging, volgnummer, "
        "count, item no, pos, position nr, entry, seq, index"
    ),
    "session": (
        "session, session id, session no, report no, protocol, protocol no, certificate no, "
        "calibration no, sitzung, protokoll, protokoll nr, prüfprotokoll, séance, rapport, "
        "sessione, protocollo, sesión, informe, sessie, verslag, job, job no, auftrag"
    ),
    "stage": (
        "stage, state, phase, condition, zustand, stand, étape, état, fase, stato, etapa, "
        "estado, as found as left, before after, vorher nachher"
    ),
    "label": (
        "position, point, what, step, setup, chainring, ring, side, arm, blatt, kettenblatt, "
        "kb, seite, messpunkt, stelle, was, plateau, côté, bras, corona, lato, braccio, plato, "
        "lado, brazo, blad, kettingblad, zijde, kant, position kurbel, test, load case"
    ),
    "direction": "direction, richtung, sens, direzione, dirección, richting",
    "angle": "angle, crank angle, winkel, kurbelwinkel, inclinaison, angolo, ángulo, hoek",
    "battery": (
        "battery, batt, battery voltage, batterie, akku, pile, batteria, pila, batería, batterij"
    ),
    "firmware": "firmware, fw, software, version",
    "bike": (
        "bike, frame, bicycle, fahrrad, rad, rahmen, vélo, cadre, bici, bicicletta, telaio, "
        "bicicleta, cuadro, fiets, kader"
    ),
    "rider": (
        "rider, athlete, fahrer, fahrerin, athlet, sportler, coureur, cycliste, corridore, "
        "ciclista, atleta, corredor, renner, rijder, wielrenner"
    ),
    "gravity": (
        "gravity, g local, local g, schwerkraft, erdbeschleunigung, fallbeschleunigung, "
        "pesanteur, gravité, gravità, gravedad, zwaartekracht"
    ),
    "week": "week, wk, kw, woche, kalenderwoche, semaine, settimana, semana",
    "gear": "gear, gears, gearing, übersetzung, gang, développement, rapporto, desarrollo, verzet",
    "soak": "soak, soak time, acclimatised, angleichzeit, temperierzeit",
    "cog": "cog, sprocket, ritzel, pignon, pignone, piñón, tandwiel",
    "next": (
        "next, next due, due, due on, nächste, fällig, fällig am, prochain, échéance, prossima, "
        "scadenza, próxima, vencimiento, volgende, vervalt"
    ),
    "model": (
        "model, make, brand, type, maker, manufacturer, modell, marke, hersteller, typ, modèle, "
        "marque, modello, marca, modelo, merk, fabrikant"
    ),
}
