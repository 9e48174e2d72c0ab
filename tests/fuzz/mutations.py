"""Ways to spoil a file: bytes, words and lines of any file, and the values of a JSON document."""

import json
import re

WORDS = [
    *("nan", "inf", "-inf", "1e999", "-1", "0", "00", "1.5", "-0", "+3", "1e-320", "1e18", "9e18"),
    *("2147483647", "2147483648", "-2147483649", "4294967296", "9223372036854775808"),
    *("9" * 400, "9" * 5000, "0x10", "1_0", "1e", "e5", ".", "-", "", "é", "\0", "\x1b[31m"),
    *("null", "true", "[]", "{}", '"x"', "#", "\\", "/", "//", "1/1/1", "1//", "a=b", "\u202e"),
]
VALUES = [
    *(None, True, False, -1, 0, 1, 2, 3, 7, 99, 1.5, -0.0, 1e308, 1e-320, 2**31, 2**53, 2**64),
    *("", "x", "0", "../a.bin", "%2e%2e/a.bin", "/etc/hosts", "http://a/b", "data:,", "a\0b"),
    *([], {}, [0], [[]], {"a": {}}, [1e39] * 4, 10**30, "VEC2", "MAT4", 5121, 5126, 5130),
]


def spoilt_bytes(rng, data):
    """A few bytes changed, cut out, doubled or cut off."""
    out = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        if not out:
            break
        at, size = rng.randrange(len(out)), rng.choice((1, 2, 4, 8, 40))
        kind = rng.randrange(6)
        if kind == 0:
            out[at] = rng.randrange(256)
        elif kind == 1:
            out[at] ^= 1 << rng.randrange(8)
        elif kind == 2:
            del out[at : at + size]
        elif kind == 3:
            out[at:at] = out[at : at + size]
        elif kind == 4:
            out[at : at + 4] = rng.choice((b"\xff\xff\xff\xff", b"\0\0\xc0\x7f", bytes(4)))
        elif rng.random() < 0.3:
            del out[at:]
    return bytes(out)


def spoilt_text(rng, data):
    """Words changed, lines moved, doubled or left out."""
    out = data
    for _ in range(rng.randint(1, 3)):
        kind = rng.randrange(5)
        if kind < 3:
            words = list(re.finditer(rb"[^\s,=\[\]/]+", out))
            if not words:
                return out
            word = rng.choice(words)
            new = rng.choice(WORDS).encode()
            if kind == 2:
                new = rng.choice(words)[0]
            out = out[: word.start()] + new + out[word.end() :]
            continue
        lines = out.split(b"\n")
        at = rng.randrange(len(lines))
        if kind == 3:
            lines.insert(rng.randrange(len(lines)), lines[at])
        else:
            del lines[at]
        out = b"\n".join(lines)
    return out


def spoilt_document(rng, document):
    """A copy of a JSON document with a few values replaced, left out or exchanged."""
    copy = json.loads(json.dumps(document))
    for _ in range(rng.randint(1, 2)):
        places = list(_places(copy))
        holder, key = rng.choice(places)
        kind = rng.randrange(6)
        if kind == 0:
            del holder[key]
        elif kind == 1:
            other, name = rng.choice(places)
            holder[key] = json.loads(json.dumps(other[name]))
        elif kind == 2 and isinstance(holder[key], int):
            holder[key] += rng.choice((-1, 1, 1000))
        elif kind == 3 and isinstance(holder[key], list) and holder[key]:
            holder[key].append(holder[key][0])
        else:
            holder[key] = rng.choice(VALUES)
    return copy


def _places(value):
    pairs = value.items() if isinstance(value, dict) else enumerate(value)
    for key, held in list(pairs):
        yield value, key
        if isinstance(held, dict | list):
            yield from _places(held)
