#!/usr/bin/env python3
"""Draws night_window.png, the view from the night train, with nothing but Python itself.

A dusk sky, a moon, two lines of hills, a few lit farm windows and their glow on a lake.
Values are code values of the wall; 16 bits, so that the sky is smooth on a wall of more than 8.
Run it in this folder: python3 draw_night_window.py
"""

import math
import struct
import zlib

WIDTH, HEIGHT = 2048, 1280


def hills(x, base, size, seed):
    """Height of a line of hills, in rows from the top."""
    t = x / WIDTH
    return base - size * (
        0.5 * math.sin(7.1 * t + seed) + 0.3 * math.sin(17.3 * t + 2.1 * seed)
        + 0.12 * math.sin(41.0 * t + 0.7 * seed)
    )


LIGHTS = [(236, 934), (262, 938), (804, 966), (1234, 920), (1258, 924), (1280, 922), (1732, 940)]


def pixel(x, y, far, near):
    """Red, green and blue, 0 to 1."""
    if y > 1000:  # the lake mirrors the sky, darker
        mirrored = pixel(x, 2000 - y, far, near)
        ripple = 0.55 + 0.06 * math.sin(y * 0.45)
        return [c * ripple for c in mirrored]
    for lx, ly in LIGHTS:
        if abs(x - lx) <= 4 and abs(y - ly) <= 4:
            return [0.95, 0.78, 0.45]
    if y > near:
        return [0.045, 0.05, 0.065]
    if y > far:
        return [0.10, 0.115, 0.16]
    if (x - 1540) ** 2 + (y - 240) ** 2 <= 52 ** 2:
        return [0.92, 0.90, 0.82]
    t = y / 1000  # dusk: deep blue above, a pale band at the hills
    glow = 0.12 * max(0.0, 1.0 - ((x - 1540) ** 2 + (y - 240) ** 2) / 260 ** 2) ** 2
    return [0.20 + 0.34 * t * t + glow, 0.26 + 0.26 * t * t + glow, 0.40 + 0.16 * t + glow]


rows = []
far = [hills(x, 820, 92, 1.0) for x in range(WIDTH)]
near = [hills(x, 940, 44, 4.0) for x in range(WIDTH)]
for y in range(HEIGHT):
    # Each value less the one to its left (PNG's filter 1): smooth skies pack well.
    line = bytearray([1])
    before = bytes(6)
    for x in range(WIDTH):
        values = [round(65535 * min(1.0, max(0.0, c))) for c in pixel(x, y, far[x], near[x])]
        now = struct.pack(">3H", *(v & 0xFFC0 for v in values))  # 10 bits are enough
        line += bytes((a - b) & 255 for a, b in zip(now, before))
        before = now
    rows.append(bytes(line))


def chunk(kind, data):
    body = kind + data
    return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))


with open("night_window.png", "wb") as out:
    out.write(b"\x89PNG\r\n\x1a\n")
    out.write(chunk(b"IHDR", struct.pack(">IIBBBBB", WIDTH, HEIGHT, 16, 2, 0, 0, 0)))
    out.write(chunk(b"IDAT", zlib.compress(b"".join(rows), 9)))
    out.write(chunk(b"IEND", b""))
