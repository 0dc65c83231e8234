"""What a hand-over says about itself: what it covers, what it does not, and how to stay safe."""

from __future__ import annotations

from typing import Final

NOT_COVERED: Final = "Settings were checked; wiring, aim, rigging, acoustics and the fire interface were not."

SAFETY: Final = (
    "Sudden level can injure people and destroy drivers. Bring level up slowly, keep people clear, and respect local "
    "exposure limits.",
    "70 V and 100 V lines and mains are for qualified persons. Mute or hold is not isolation.",
    "Overhead loudspeakers need rated hardware, a secondary support and a competent person. This tool says nothing "
    "about it.",
    "Not for voice-alarm, evacuation or assistive-listening duties. A device that is not marked as life safety is not "
    "thereby safe to write to, and loudspeakers shared with an alarm system count as alarm loudspeakers.",
    "Computed figures are estimates. Local codes and licensed practice decide.",
)

LOSS: Final = (
    "Loss is the worst case, with the whole load at the far end of the cable, for flexible copper at 20 °C "
    "(IEC 60228 class 5). Transformers lose more, and are not counted. The expected impedance is V² over the sum of "
    "the taps, or that of the rated impedances; measure it with the amplifier disconnected."
)

DELAY: Final = (
    "Computed delay = (path of the reference - path of this position) / speed of sound + offset + delay of the "
    "reference + latency of its device - latency of this one. Paths are straight, to the listening point. The wanted "
    "delay is that, in the device's own steps. Speed of sound: ISO 9613-1:1993, Annex A."
)

PROOF_WORDS: Final = {
    "equal": "equal to what is desired",
    "slightly apart": "apart by less than can be heard",
    "differs": "differs from what is desired",
    "not readable": "could not be read",
    "not read": "device not read",
    "not desired": "no house-curve slot",
    "left alone": "left alone",
}
