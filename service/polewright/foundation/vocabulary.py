"""Codes that stand as words inside sentences: English on the wire, translated where they are read.

A sentence may hold a code as one of its values ("the mount is slewing"). Codes stay English in
documents; this list puts them into the catalogues. Where a word means different things in a
language, the sentence has to say it in full instead.
"""

from __future__ import annotations

from polewright.foundation.language import say

CODES = (
    say("raise"),
    say("lower"),
    say("true"),
    say("refracted"),
    say("declination"),
    say("still"),
    say("tracking"),
    say("unknown"),
    say("unasked"),
    say("stopped"),
    say("bumped"),
    say("idle"),
    say("checking"),
    say("planning"),
    say("sweeping"),
    say("adjusting"),
    say("finished"),
    say("failed"),
    say("interrupted"),
    say("watching"),
    say("stopping"),
    say("dismissed"),
    say("open"),
    say("closed"),
    say("opening"),
    say("closing"),
    say("a rehearsal"),
    say("coarse"),
    say("final"),
    say("latitude"),
    say("longitude"),
    say("elevation"),
    say("temperature"),
    say("pressure"),
    say("mono"),
    say("colour"),
    say("sidereal"),
    say("lunar"),
    say("solar"),
    say("king"),
    say("yes"),
    say("no"),
    say("within"),
    say("outside"),
)
