"""NMEA 0183 sentences: GGA, RMC, GSA and ZDA with checksums.

A sentence is ``$`` talker and type, fields separated by commas, ``*`` and two hexadecimal
digits: the exclusive or of all bytes between ``$`` and ``*``; CR LF; at most 82 characters.
"""

from datetime import UTC, datetime


def sentence(body: str) -> bytes:
    """A sentence from what stands between ``$`` and ``*``."""
    check = 0
    for byte in body.encode("ascii"):
        check ^= byte
    return f"${body}*{check:02X}\r\n".encode("ascii")


def _angle(degrees: float, width: int, letters: str) -> str:
    """``ddmm.mmmm,N`` for latitude (width 2), ``dddmm.mmmm,E`` for longitude (width 3)."""
    ten_thousandths = round(abs(degrees) * 60 * 10_000)
    whole, minutes = divmod(ten_thousandths, 60 * 10_000)
    letter = letters[0] if degrees >= 0 else letters[1]
    return f"{whole:0{width}d}{minutes / 10_000:07.4f},{letter}"


def epoch(
    instant_ns: int, latitude: float, longitude: float, height_m: float, satellites: int
) -> list[bytes]:
    """The sentences of one second; no satellites means no fix (quality 0, status V)."""
    utc = datetime.fromtimestamp(instant_ns // 10**9, UTC)
    time = f"{utc:%H%M%S}.00"
    place = f"{_angle(latitude, 2, 'NS')},{_angle(longitude, 3, 'EW')}"
    if satellites < 4:
        return [
            sentence(f"GPGGA,{time},,,,,0,{satellites:02d},,,M,,M,,"),
            sentence("GPGSA,A,1,,,,,,,,,,,,,,,"),
            sentence(f"GPRMC,{time},V,,,,,,,{utc:%d%m%y},,,N"),
            sentence(f"GPZDA,{time},{utc:%d,%m,%Y},00,00"),
        ]
    used = [f"{number:02d}" for number in range(2, 2 + min(satellites, 12))]
    slots = ",".join(used + [""] * (12 - len(used)))
    return [
        sentence(f"GPGGA,{time},{place},1,{satellites:02d},0.9,{height_m:.1f},M,43.2,M,,"),
        sentence(f"GPGSA,A,3,{slots},1.6,0.9,1.3"),
        sentence(f"GPRMC,{time},A,{place},0.00,0.00,{utc:%d%m%y},,,A"),
        sentence(f"GPZDA,{time},{utc:%d,%m,%Y},00,00"),
    ]
