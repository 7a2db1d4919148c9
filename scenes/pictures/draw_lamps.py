#!/usr/bin/env python3
"""Draws lamps/lamp_01.png to lamp_08.png, platform lamps that pass the train's window, with nothing but Python itself.

Lamps on posts, 256 pixels apart, pass by 32 pixels a picture: after eight pictures the first comes again.
Values are code values of the wall. Run it in this folder: python3 draw_lamps.py
"""

import struct
import zlib

WIDTH, HEIGHT, APART, PICTURES = 512, 384, 256, 8


def pixel(x, y):
    """Red, green and blue, 0 to 255, of a column counted from a lamp's middle."""
    if abs(x) <= 9 and 96 <= y < 132:
        return (242, 222, 180)  # the lamp
    if abs(x) <= 2 and 132 <= y < 300:
        return (70, 66, 60)  # its post
    if y >= 300:
        return (46, 44, 50) if y < 306 else (24, 24, 30)  # the platform
    if 180 <= y < 212 and 60 <= (x % APART) < 200:
        return (150, 60, 48)  # a board with the station's name
    return (14, 17, 26)  # the night


def chunk(kind, data):
    body = kind + data
    return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))


for number in range(PICTURES):
    rows = []
    for y in range(HEIGHT):
        line = bytearray([0])
        for x in range(WIDTH):
            along = (x + number * APART // PICTURES) % APART
            line += bytes(pixel(along if along < APART // 2 else along - APART, y))
        rows.append(bytes(line))
    with open(f"lamps/lamp_{number + 1:02}.png", "wb") as out:
        out.write(b"\x89PNG\r\n\x1a\n")
        out.write(chunk(b"IHDR", struct.pack(">IIBBBBB", WIDTH, HEIGHT, 8, 2, 0, 0, 0)))
        out.write(chunk(b"IDAT", zlib.compress(b"".join(rows), 9)))
        out.write(chunk(b"IEND", b""))
