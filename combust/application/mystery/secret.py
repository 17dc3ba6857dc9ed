"""The trainer's salt: refused where it is guessed, stretched into a key, turned into streams of numbers.

A case file holds nothing that is hidden under the salt. The salt only makes sure that the same seed gives the same case
again to the trainer, and another one to everybody else.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import re

import numpy as np

from combust.data.errors import CombustError, Fault

SCRYPT = {"n": 2**15, "r": 8, "p": 1, "maxmem": 2**27, "dklen": 32}
LABEL = b"combust mystery 2"
WORDS, LETTERS, DISTINCT = 4, 20, 12  # words of a sentence, characters of any salt, different ones of a random salt


def need_strong(salt: object) -> str:
    """Return a salt that is not soon guessed: four different words or more, or twenty characters without a pattern.

    Raises
    ------
    CombustError
        Any other.
    """
    text = salt.strip() if isinstance(salt, str) else ""
    words = {word.casefold() for word in re.findall(r"[^\W\d_]{3,}", text)}
    characters = re.sub(r"\s", "", text)
    random = len(set(characters)) >= DISTINCT and any(map(str.isdigit, characters))
    if len(text) < LETTERS or (len(words) < WORDS and not random):
        why = "is missing, or too short or too plain to keep a class from guessing it"
        hint = f"Take a sentence of {WORDS} different words or more, or {LETTERS} letters and digits without a pattern."
        raise CombustError(Fault("salt", None, "missing", why=why, hint=hint))
    return text


def master_key(salt: str) -> bytes:
    """Return the key of a salt; scrypt makes each guess of a salt dear (about 100 ms).

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
