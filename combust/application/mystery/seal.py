"""Sealing with the standard library: a key stretched from the salt, streams of numbers, and padded, authenticated text.

Only HMAC-SHA-256, SHAKE-256 and scrypt of the standard library are used: text is hidden under a keystream (SHAKE-256 of
a derived key, FIPS 202) and authenticated over ciphertext and the public part of a case (encrypt, then authenticate).
"""

from __future__ import annotations

import hashlib
import hmac
import json
from collections.abc import Mapping
from typing import Any

import numpy as np

SCRYPT = {"n": 2**14, "r": 8, "p": 1, "maxmem": 2**26, "dklen": 32}
LABEL = b"combust mystery 1"
TAG = 32


def master_key(salt: str) -> bytes:
    """Return the key of a salt; scrypt makes each guess of a salt dear (about 50 ms).

    References
    ----------
    RFC 7914, The scrypt Password-Based Key Derivation Function, 2016.
    """
    return hashlib.scrypt(salt.encode(), salt=LABEL, **SCRYPT)


def derived(key: bytes, *words: object) -> bytes:
    """Return 32 bytes derived from a key for one purpose; the words are joined so that none can run into the next."""
    text = json.dumps([str(word) for word in words]).encode()
    return hmac.new(key, text, hashlib.sha256).digest()


def numbers_of(key: bytes, *words: object) -> np.random.Generator:
    """Return the stream of random numbers of one purpose: who lacks the key cannot repeat it."""
    return np.random.default_rng(int.from_bytes(derived(key, "numbers", *words), "big"))


def canonical(value: Any) -> bytes:
    """Return a value as the one JSON text of it."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False).encode()


def seal(key: bytes, value: Mapping[str, Any], size: int, bound_to: bytes = b"") -> str:
    """Return a value sealed as hexadecimal text; every sealed text of one ``size`` [bytes] is equally long.

    Raises
    ------
    ValueError
        When the value does not fit: a longer text would betray what it holds.
    """
    plain = canonical(value)
    if len(plain) > size:
        raise ValueError(f"{len(plain)} bytes do not fit into {size}")
    padded = plain + b" " * (size - len(plain))
    hidden = _crossed(key, padded)
    return (hidden + _tag(key, hidden, bound_to)).hex()


def opened(key: bytes, sealed: str, bound_to: bytes = b"") -> dict[str, Any] | None:
    """Return what was sealed, or None when the key is another one or anything was altered."""
    try:
        raw = bytes.fromhex(sealed)
    except ValueError:
        return None
    hidden, tag = raw[:-TAG], raw[-TAG:]
    if not hmac.compare_digest(tag, _tag(key, hidden, bound_to)):
        return None
    value: dict[str, Any] = json.loads(_crossed(key, hidden))
    return value


def _crossed(key: bytes, text: bytes) -> bytes:
    """Return a text under the keystream of a key; twice gives the text back."""
    stream = hashlib.shake_256(derived(key, "stream")).digest(len(text))
    return bytes(a ^ b for a, b in zip(text, stream, strict=True))


def _tag(key: bytes, hidden: bytes, bound_to: bytes) -> bytes:
    bound = hashlib.sha256(bound_to).digest()
    return hmac.new(derived(key, "tag"), bound + hidden, hashlib.sha256).digest()
