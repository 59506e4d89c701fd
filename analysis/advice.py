"""What to do differently: at most three sentences and one drill, by a table of rules.

Each rule looks at findings and at the room left, and either says what happened and what would have been better, with
the place and time that show it, or says nothing. Only clear verdicts speak: what is too close to call, or was not
seen, gives no advice. The rules stand in the order in which things are worth a learner's time: first what cost the
bay, then what counts, then what only helps. The thresholds are ours (from memory of how such lessons go, no
published source); the drills are common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from analysis import advice_findings, advice_room
from analysis.advice_words import Spoken
from analysis.attempt import Advice, Attempt, Drill, Said
from analysis.room.nouns import RoomAlong

SENTENCES = 3  # nobody takes in more before the next run (own choice)

DRILLS = {d.name: d for d in (
    Drill("first half", "Only the first half",
          "Reverse from the forward cones and stop where the moment is marked on the plan. Get out and look how the "
          "vehicle stands to the cones, drive forward again, and repeat until three stops in a row look the same."),
    Drill("place to start", "The place to start from",
          "Drive forward to the pair of cones and stop, five times, without reversing. Get out each time and measure "
          "how far the rear wheels are from where they should be."),
    Drill("round one cone", "Round one cone",
          "Reverse round a single cone in a half circle, a metre off, three times each way. Stop whenever you are "
          "not sure where the cone is, and find it in the mirror before going on."),
    Drill("roll then turn", "Roll, then turn",
          "On an empty stretch, creep and turn the wheel from straight to full lock and back without stopping, five "
          "times each way. The wheel only turns while the vehicle rolls."),
    Drill("front corner", "Where the front wheels run",
          "Along a painted line, pull forward with lock on and stop when you think the front tyre is a hand's width "
          "from it. Get out and look. Five times each side."),
    Drill("a shunt that counts", "A shunt that counts",
          "From a stop half way through the reverse, pull forward a full half vehicle length with the wheel turned "
          "early, then reverse. Compare in the mirrors how much closer to straight each length brings you."),
    Drill("stop on the mark", "Stop on the mark",
          "Straight in the bay, reverse to where you think the box begins, stop and get out to look. Five times; "
          "note what stands beside the cab when it is right."),
    Drill("follow the trailer", "Follow the trailer",
          "Reverse along a straight line with the trailer behind you. Turn the wheel a little as soon as one mirror "
          "shows more of the trailer than the other, and take it off at once; stop and pull forward when that is not "
          "enough. Five lengths of the combination, three times."),
    Drill("slowly past the cone", "Slowly past the cone",
          "Drive and reverse past a cone no faster than somebody walks beside you, three times each way."),
    Drill("straighten up", "Straighten up in the bay",
          "From a vehicle length before the bay, reverse in with both mirrors showing the same gap to the mouth "
          "cones; stop and pull forward as soon as they differ."),
)}



@dataclass(frozen=True)
class Rule:
    """A name that people read, and what it says about an attempt: None when there is nothing, or nothing sure.

    bay_lost: it speaks of the bay coming out of reach, which weighs as much as a fault."""

    name: str
    speak: Callable[[Attempt, RoomAlong | None], Spoken | None]
    bay_lost: bool = False


RULES = (
    Rule("bay lost", advice_room.lost, bay_lost=True),
    Rule("bay out of reach from the start", advice_room.gone, bay_lost=True),
    Rule("cone hit", advice_findings.touched),
    Rule("folded too far", advice_findings.folded),
    Rule("tyre over line", advice_findings.over_line),
    Rule("stopped outside the box", advice_findings.stopped),
    Rule("turned while standing", advice_findings.dry),
    Rule("too many shunts", advice_findings.too_many_shunts),
    Rule("shunt that did not help", advice_room.poor_shunt),
    Rule("shunt not needed", advice_room.needless_shunt),
    Rule("largest loss of room", advice_room.largest_loss),
    Rule("place to start from", advice_room.start_place),
    Rule("ended askew", advice_findings.askew),
    Rule("cone out of sight", advice_findings.unseen),
    Rule("fast near a cone", advice_findings.fast),
)


def advice_of(attempt: Attempt, room: RoomAlong | None = None) -> Advice:
    """The first rule that speaks gives what happened, what to do instead, and the drill; the next ones what happened,
    up to three sentences. `well` is the first thing worth praise that the findings are sure of."""
    said: list[Said] = []
    drill = None
    for rule in RULES:
        spoken = rule.speak(attempt, room) if len(said) < SENTENCES else None
        if spoken is None:
            continue
        drill = drill or DRILLS[spoken.drill]
        first = not said
        counts = rule.bay_lost if spoken.finding is None else attempt.findings[spoken.finding].counts
        said.append(Said(rule.name, _sentence(spoken.what), spoken.t_s, *spoken.span_s, spoken.at_m, spoken.finding,
                         counts))
        if first and spoken.instead is not None:
            better = replace(said[0], sentence=_sentence(spoken.instead))
            if spoken.sooner:
                t_s, at_m = spoken.sooner
                better = replace(better, t_s=t_s, t_start_s=t_s, t_end_s=t_s, at_m=at_m)
            said.append(better)
    return Advice(tuple(said), drill, _well(attempt))


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:]


def _well(attempt: Attempt) -> str | None:
    """One sentence of praise that the findings are sure of."""
    sure = {f.kind for f in attempt.findings if f.verdict == "ok"} - {f.kind for f in attempt.findings
                                                                      if f.verdict != "ok"}
    reversed_any = any(leg.direction < 0 for leg in attempt.legs)
    if reversed_any and attempt.shunts == 0 and {"shunt_count", "tyre_over_line", "mark_touched"} <= sure:
        return "The whole reverse went in one movement, clear of every line and cone."
    for kind, sentence in (("mark_touched", "No cone was touched."),
                           ("tyre_over_line", "Every tyre stayed inside the side lines."),
                           ("stopping_box", "The rear stopped inside the box."),
                           ("final_heading", "The vehicle ended straight in the bay."),
                           ("dry_steering", "The wheel was only turned while rolling.")):
        if kind in sure:
            return sentence
    return None
