"""What is said of one indicator: verdict and plain sentences, from its follower."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glowledger.runs.results import EndpointVerdict

if TYPE_CHECKING:
    from glowledger.runs.endpoint import EndpointFollower

SEEN = 30.0  # 2 ln L: a decay counts as seen above this, some 5 standard deviations
LIKELY = 0.5  # probability above which a fall that slows down all the time is spoken of
HORIZON = 8.0  # times the time so far: nothing beyond is foreseen
CHECK = (
    "Light only says that products stopped coming off where the plasma reaches; it does not prove the surface "
    "clean: check with a water-break test (ASTM F22), a contact angle or a witness coupon."
)


def verdict(follower: EndpointFollower, label: str) -> tuple[EndpointVerdict, str]:
    """Return the verdict on an indicator that is called `label`, and why."""
    if follower.back and follower.reached:
        return "not reached", back_words(label, follower.declared_at_s, follower.back)
    if follower.came_back and (follower.weight < SEEN or follower.decay.rising):
        return "not reached", back_words(label, follower.ended_s, follower.stands)
    if follower.reached:
        said = _reached_reason(follower, label) + _slowing_words(follower)
        parts = [said, _floor_words(follower), _over_clean_words(follower), CHECK]
        return "reached", " ".join(part for part in parts if part)
    if follower.equivalence is not None:
        return "not reached", follower.equivalence.sentence(label)
    if follower.weight < SEEN:
        return _unseen(follower, label)
    return _falling(follower, label)


def _unseen(follower: EndpointFollower, label: str) -> tuple[EndpointVerdict, str]:
    """Return what is said while no decay stands out."""
    if follower.posterior is None and not follower.owing:
        return "cannot tell", f"Too few usable frames of {label}: {follower.decay.frames} so far."
    if follower.carried.high < 1.0 or follower.owing:
        return "cannot tell", (
            f"Conditions changed while up to {100 * follower.carried.high:.0f} % of the starting excess of {label} was "
            "left, and no decay stands out of the noise since then."
        )
    if follower.decay.rising:
        return "not reached", f"{label} is still rising: its decay has not begun."
    return "cannot tell", (
        f"No decay of {label} stands out of its noise: it may be clean already, never have been dirty, "
        "or change too slowly to be seen yet. A blank run of the clean empty chamber would settle it."
    )


def _falling(follower: EndpointFollower, label: str) -> tuple[EndpointVerdict, str]:
    """Return what is said of a decay that stands out and is not over."""
    p, now = follower.posterior, follower.decay.time[-1]
    if p is None:
        raise ValueError("a decay that stands out has been fitted")
    excess = f"{100 * p.left[1]:.0f} % ({100 * p.left[0]:.0f} to {100 * p.left[2]:.0f} %)"
    if p.end[1] > 3.0 * now or p.end[2] > HORIZON * now:
        return "not reached", (
            f"{label} is falling but its floor is not settled by what has been seen: {excess} of the starting "
            f"excess is left, and the end cannot be foreseen.{_slowing_words(follower)}"
        )
    waits = " The latest values may hide a step of the level, so nothing is declared yet." if follower.doubtful else ""
    slowing = _slowing_words(follower)
    again = f" It had ended at {follower.ended_s:.0f} s and came back." if follower.came_back else ""
    return "approaching", f"{excess} of the starting excess of {label} is left (95 % interval).{again}{slowing}{waits}"


def _slowing_words(follower: EndpointFollower) -> str:
    p = follower.posterior
    if p is None or p.slowing < LIKELY:
        return ""
    return (
        " It falls ever more slowly, as gas that walls let go does (about as 1/t), or dirt of which some is held more "
        "firmly: gentle warming, as far as window and seals bear it, or a blank run of the clean chamber tells more "
        "than waiting."
    )


def back_words(label: str, ended_s: float, part: float) -> str:
    """Return what is said of a contaminant that stands again by a part of its starting excess above its end."""
    stands = f": it stands {100 * part:.0f} % of its starting excess above that end" if part > 0 else ""
    return (
        f"{label} had ended at {ended_s:.0f} s and has come back{stands}. Look for a leak, a trapped volume that lets "
        "go, a second layer, or new dirt."
    )


def _reached_reason(follower: EndpointFollower, label: str) -> str:
    if follower.equivalence is not None:
        return follower.equivalence.sentence(label)
    p = follower.posterior
    if p is None:
        return f"{label} met the criterion."
    left = f"{100 * p.left[1]:.2g} % of the starting excess is left"
    if follower.in_doubt and p.done > 0.5:
        return (
            f"{label} was declared done at {follower.declared_at_s:.0f} s, too early: later frames put its end at "
            f"{follower.decay.when(p.end[1]):.0f} s; {left} now."
        )
    if follower.in_doubt:
        return (
            f"{label} was taken to have ended at {follower.declared_at_s:.0f} s, but later frames put that in doubt "
            f"({left} by them): go on, or check the part."
        )
    return f"{label} fell to its floor: {left} (at most {100 * p.left[2]:.2g} % with 97.5 % probability)."


def _floor_words(follower: EndpointFollower) -> str:
    """Say that a floor well above zero may be a source of its own."""
    p = follower.posterior
    if p is None or p.floor < 5 * p.floor_se or p.floor < 0.1 * (p.floor + p.excess):
        return ""
    share = 100 * p.floor / (p.floor + p.excess)
    return (
        f"The floor is {share:.0f} % of the first level, not zero: a leak, outgassing, pump oil or the process gas "
        "itself may feed it."
    )


def _over_clean_words(follower: EndpointFollower) -> str:
    p = follower.posterior
    if follower.criterion.over_clean <= 0 or p is None:
        return ""
    until = follower.decay.when(p.end[1] * (1 + follower.criterion.over_clean))
    return f"With the margin of {100 * follower.criterion.over_clean:g} % for hidden faces go on until {until:.0f} s."
