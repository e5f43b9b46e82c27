"""Pictures for tests, made here: plain ones, and hostile files of every kind that we could think of."""

import io
import struct
import zlib

from PIL import Image

GPS_IFD, ORIENTATION, MAKE = 0x8825, 0x0112, 0x010F  # Exif 2.32, tables 4 and 8 (from memory)
SECRET = b"Tarnmouth 43.07 N"  # what no kept photo may hold


def picture(
    width: int = 320, height: int = 200, kind: str = "JPEG", mode: str = "RGB", **more: object
) -> bytes:
    """Return a picture that is red on the left and blue on the right."""
    drawn = Image.new("RGB", (width, height), (200, 20, 20))
    drawn.paste((20, 20, 200), (width // 2, 0, width, height))
    out = io.BytesIO()
    drawn.convert(mode).save(out, kind, **more)
    return out.getvalue()


def located(orientation: int = 1, kind: str = "JPEG") -> bytes:
    """Return a picture with a place, a comment and a turn in its metadata."""
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    exif[MAKE] = SECRET.decode()
    exif.get_ifd(GPS_IFD).update({1: "N", 2: (43.0, 4.0, 12.0), 3: "W", 4: (70.0, 42.0, 0.0)})
    more = {"comment": SECRET} if kind == "JPEG" else {}
    return picture(kind=kind, exif=exif.tobytes(), **more)


def polyglot() -> bytes:
    """Return a JPEG that is a web page and an archive as well."""
    comment = b"<html><script>alert(1)</script>" + SECRET
    return picture(comment=comment) + b"PK\x03\x04" + SECRET + b"<script>alert(2)</script>"


def animated(kind: str = "WEBP") -> bytes:
    """Return a moving picture of three frames."""
    frames = [Image.new("RGB", (64, 48), (90 * n, 20, 20)) for n in range(3)]
    out = io.BytesIO()
    frames[0].save(out, kind, save_all=True, append_images=frames[1:], duration=100)
    return out.getvalue()


def claims(width: int, height: int) -> bytes:
    """Return a PNG whose header claims a size, with few bytes behind it (PNG specification, 11.2.1)."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    body = zlib.compress(bytes(1_000_000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def texts_bomb() -> bytes:
    """Return a PNG whose compressed comment grows to 200 MB when it is read."""
    plain = picture(kind="PNG")
    data = b"Comment\0\0" + zlib.compress(bytes(200_000_000))
    chunk = struct.pack(">I", len(data)) + b"zTXt" + data + struct.pack(">I", zlib.crc32(b"zTXt" + data))
    return plain[:33] + chunk + plain[33:]  # after the header, which ends at byte 33
