"""What a customer's complaint points to: the symptom whose words it shares, and what to check before the drive."""

from __future__ import annotations

import re
from typing import Final

from drivecare.errors import BadInput
from drivecare.fit.host_catalogue import common_symptoms
from drivecare.fit.host_profile import Host, Symptom
from drivecare.fit.model import Advice
from drivecare.reading.typed_text import plain_signs

_FILLERS: Final = frozenset(
    re.findall(
        r"\w+",
        "a after again an and any are at be does do did for from has have i in is it its my of on or so the then to up "
        "was when will with",
    )
)
_WEAK: Final = frozenset({"start"})  # counts in a whole phrase only: "it clicks when I start it" is about the click
_NEGATIONS: Final = re.compile(r"\b(?:won't|wont|can't|cant|cannot|\w+n't|doesnt|isnt|no longer|never|no)\b")
_ENDINGS: Final = ("ing", "ed", "es", "s")


def advise(text: str, host: Host) -> Advice:
    """Advise on a symptom, by its id or by the words that people use. Raises BadInput with the choices otherwise."""
    symptoms = {symptom.id: symptom for symptom in (*common_symptoms(), *host.symptoms)}
    words = telling_words(text)
    scores = {name: _score(words, symptom) for name, symptom in symptoms.items()}
    best = max(scores.values(), default=0)
    matches = [symptoms[name] for name, score in scores.items() if score == best and score > 0]
    matches = [symptom for symptom in symptoms.values() if text in (symptom.id, symptom.says)] or matches
    if len(matches) != 1:
        problem = "means more than one symptom" if matches else "does not match a symptom we know"
        choices = ", ".join(sorted(symptom.id for symptom in matches) or sorted(symptoms))
        raise BadInput(problem, location=f"symptom {text!r}", hint=f"Choose one: {choices}.")
    (match,) = matches
    return Advice(
        symptom=match.says,
        drive_likely=match.drive_likely,
        cause=match.cause,
        first=match.first,
        source=match.source,
    )


def telling_words(text: str) -> frozenset[str]:
    """The words that tell something, without their endings; one that is denied is another word: "won't start"."""
    plain = _NEGATIONS.sub("not", plain_signs(text).lower())
    words, denied = set(), False
    for word in re.findall(r"[a-z0-9]+", plain):
        if word == "not":
            denied = True
        elif word not in _FILLERS:
            words.add(f"not {_stem(word)}" if denied else _stem(word))
            denied = False
    return frozenset(words)


def _stem(word: str) -> str:
    """The word without its ending: stops, stopped and stopping are one."""
    for ending in _ENDINGS:
        if word.endswith(ending) and len(word) - len(ending) >= 3:
            word = word.removesuffix(ending)
            break
    word = word.removesuffix("e")
    return word[:-1] if len(word) > 3 and word[-1] == word[-2] else word


def _score(words: frozenset[str], symptom: Symptom) -> int:
    """Count the words shared, and once more those of phrases that are there as a whole."""
    phrases = [telling_words(phrase) for phrase in symptom.words]
    shared = words & frozenset[str]().union(*phrases)
    whole = frozenset[str]().union(*(phrase for phrase in phrases if phrase <= words))
    return len(shared - _WEAK) + len(whole)
