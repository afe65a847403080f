"""Writes the hand-made recordings beside it: one row a minute, from plain arithmetic.

    python3 tests/replay/golden/make.py            # writes the recordings
    python3 tests/replay/golden/make.py --figures  # prints the ammonia figures that ammonia.expected rests on

Each function gives the oxygen (mg/L) or pH of minute `m` since the start of its recording. When which alarm
must come is reasoned in the `.expected` file beside each recording, not here, and never by the program.
"""
import datetime
import pathlib
import sys

HERE = pathlib.Path(__file__).parent
DAY = datetime.datetime(2026, 3, 20)


def minute(clock):
    """Minutes since midnight of the recording's first day; 24:00 and later is the morning after."""
    hours, minutes = clock.split(":")
    return 60 * int(hours) + int(minutes)


def write(name, first, last, columns):
    """Rows from `first` to `last`, both included; a column is a function of minutes since midnight."""
    rows = ["time_utc," + ",".join(columns)]
    for now in range(minute(first), minute(last) + 1):
        at = (DAY + datetime.timedelta(minutes=now)).strftime("%Y-%m-%dT%H:%M:00Z")
        cells = (value(now) for value in columns.values())
        rows.append(",".join([at] + ["" if cell is None else f"{cell:.3f}" for cell in cells]))
    (HERE / f"{name}.csv").write_text("\n".join(rows) + "\n")


def always(value):
    return lambda now: value


def steady_fall(now):
    m = now - minute("20:00")
    if m < 310:
        return 5.005 - 0.01 * m
    return 1.905 + 0.02 * max(0, m - 610)


def dip_and_chatter(now):
    for first, end, value in [
        ("21:00", "21:09", 3.9),  # nine minutes below 4
        ("22:00", "22:12", 3.8),
        ("22:12", "22:16", 2.9),  # four minutes below 3
        ("22:16", "22:20", 3.8),
        ("24:00", "24:10", 4.6),  # ten minutes clear
        ("24:10", "24:15", 4.2),
    ]:
        if minute(first) <= now < minute(end):
            return value
    if minute("22:20") <= now < minute("24:00"):
        return 4.2 if now % 2 == 0 else 3.8
    return 5.0


def silence(now):
    by_day = minute("15:00") <= now < minute("15:30")
    by_night = minute("22:00") < now < minute("22:30")
    return None if by_day or by_night else 6.0


def aerator_trip(now):
    if now < minute("22:50"):
        return 6.5 - 0.08 * min(35, max(0, now - minute("22:00")))
    return min(6.5, 3.7 + 0.04 * (now - minute("22:50")))


def afternoon_ph(now):
    return 9.0 if minute("14:00") <= now < minute("18:00") else 8.0


def kit(now):
    return {minute("16:00"): 0.6, minute("20:00"): 2.0, minute("22:00"): 0.1}.get(now)


def doubtful(now):
    if minute("22:00") <= now < minute("22:08"):
        return -1.0
    return 0.1 if minute("23:00") <= now < minute("23:20") else 6.0


def share(t_c, ph, sal_psu):
    """Un-ionised share of total ammonia for a pH read by a probe calibrated in NBS buffers.

    Emerson et al. 1975 for fresh water, Khoo et al. 1977 for the salt:
    pKa = 0.09018 + 2729.92 / T + (0.1552 - 0.0003142 t) I,  I = 19.9273 S / (1000 - 1.005109 S).
    """
    ionic_strength = 19.9273 * sal_psu / (1000 - 1.005109 * sal_psu)
    pka = 0.09018 + 2729.92 / (t_c + 273.15) + (0.1552 - 0.0003142 * t_c) * ionic_strength
    return 1 / (1 + 10 ** (pka - ph))


def figures():
    for clock, tan in [("16:00", 0.6), ("17:00", 0.6), ("18:00", 0.6), ("19:00", 0.6), ("20:00", 2.0), ("22:00", 0.1)]:
        shares = [share(28, afternoon_ph(now), 18) for now in range(minute("08:00"), minute(clock))]
        print(f"{clock} TAN {tan}: mean {tan * sum(shares) / len(shares):.4f}, peak {tan * max(shares):.4f} mg/L as N")


def main():
    warm = always(28.0)
    write("steady_fall", "20:00", "33:00", {"do_mg_l": steady_fall, "temperature_c": warm})
    write("dip_and_chatter", "20:00", "25:00", {"do_mg_l": dip_and_chatter, "temperature_c": warm})
    write("silence", "14:00", "23:00", {"do_mg_l": silence, "temperature_c": warm})
    write("aerator_trip", "20:00", "25:00", {"do_mg_l": aerator_trip, "temperature_c": warm})
    write("ammonia", "08:00", "23:30", {"do_mg_l": always(6.5), "temperature_c": warm, "ph": afternoon_ph, "tan_mg_l": kit})
    write("doubtful", "20:00", "25:00", {"do_mg_l": doubtful, "temperature_c": warm})


if sys.argv[1:] == ["--figures"]:
    figures()
else:
    main()
