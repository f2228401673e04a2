"""Suggested steps, and the caution that stands beside each."""

from collections.abc import Mapping

STEPS: dict[str, str] = {
    "clean_groove": "Clean the V-groove, lenses and clamps of {unit}, then make ten check splices.",
    "check_heater": "Clean {unit}, check its lamp or plate, and cure two witness pieces.",
    "rotate_blade": "Turn the blade of {unit} to its next position, then measure ten cleaves.",
    "change_electrodes": "Change the electrodes of {unit}, stabilise them, then run the arc check.",
    "arc_check": "Run the arc check of {unit} and make ten check splices on one reference fibre.",
    "check_fibre": "Make ten check splices on a fresh reference fibre with each splicer.",
    "swap_kit": "Swap kit for a few days so that the records can tell: {swap}.",
    "mix_kit": "Swap kit between people for a few days, so that the records can tell them apart.",
    "retest": "Re-test the accepted joints made since {since}; the list is in the workbook.",
    "measure_over_limit": (
        "Clean, inspect and measure these joints, or make them again; all are on the sheet"
        ' "over limit" of the workbook.'
    ),
    "find_the_carrier": (
        'See on the sheet "losses" which splicer carries it; look at kit, lots and jobs before the'
        " next job."
    ),
    "reference_check": "Clean the reference cord, set the reference again and repeat the tests.",
    "set_aside_lot": "Set {unit} aside until ten joints from another lot have been compared.",
    "write_rotation": (
        "Write into the service log, with its day, each time that the blade of {unit} is"
        " turned or changed."
    ),
    "write_electrodes": (
        "Write into the service log, with its day, each time that {unit} gets new electrodes."
    ),
    "write_down": "Write down every failed attempt this week, also the quick ones.",
    "look_into_doubts": "Open doubts.xlsx in the crew's folder and decide the marked rows.",
    "wait": "Keep working as you do and look again at {until}.",
    "retighten_order": "Order {parts} now.",
}
"""Step code to its words; ``{names}`` are filled from the finding's values."""

CAUTIONS: dict[str, str] = {
    "arc": (
        "Switch the splicer off before you touch the electrodes (kilovolts); solvent and wipes"
        " away and closed before the next arc."
    ),
    "blade": "Blades and fibre ends cut: safety glasses on, scraps into the lidded bin.",
    "laser": (
        "The light is invisible: check that the fibre is dark with a meter before a scope or an"
        " eye comes near it."
    ),
    "solvent": "Use solvent with air moving, bottle closed, nothing hot or sparking near.",
    "cure": "UV lamp shielded, gloves and glasses on; uncured epoxy off the skin.",
    "manhole": (
        "Test the air before anyone enters a manhole and splice outside it: the arc can ignite"
        " gas. Local rules come first."
    ),
    "people": "A figure about a person is a reason to look at kit and jobs first, never a verdict.",
}
"""Caution code to its words; local codes and licensed practice come before all of them."""


def step_words(step: str, values: object = None) -> str:
    """Words for a step's code, its names filled from ``values``; empty for no step."""
    if not step:
        return ""
    known = dict(values) if isinstance(values, Mapping) else {}
    return STEPS[step].format_map(_Named(known))


def caution_words(caution: str) -> str:
    """Words for a caution's code; empty for none."""
    return CAUTIONS[caution] if caution else ""


class _Named(dict[str, object]):
    def __missing__(self, key: str) -> str:
        return "the unit" if key == "unit" else key
