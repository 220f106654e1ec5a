"""The floor as the board shows it: a tile for each cylinder, a card for each whip, and how they are counted.

Pure: visits and standings in, words and states out. It shows what was recorded; it must never decide what may be done.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal
from uuid import UUID

from cylinder.marks import GasWanted, KeyedPressure
from cylinder.standing import Standing
from cylinder.visit import Visit

Against = Literal["open", "hold", "stop"]
TileState = Literal["waiting", "bench", "hold", "stop", "ready", "whip", "hot", "analyse", "full"]
WhipState = Literal["free", "connected", "filling", "hot", "hold", "stop"]

WORDS: Mapping[TileState, str] = {
    "waiting": "Waiting",
    "bench": "Bench",
    "hold": "Hold",
    "stop": "Do not fill",
    "ready": "Ready",
    "whip": "On whip",
    "hot": "Hot?",
    "analyse": "Analyse",
    "full": "Full",
}
"""Hot carries a question mark: nobody has measured it."""


@dataclass(frozen=True, slots=True)
class Tile:
    """One cylinder on the floor. `level` is how far its fill has come, from 0 to 1, while it is on a whip."""

    visit_id: UUID
    tag: int
    state: TileState
    word: str
    note: str
    level: float | None = None


@dataclass(frozen=True, slots=True)
class WhipCard:
    """One whip. `value` is the last pressure that was keyed, as keyed, and empty where none was."""

    number: int
    state: WhipState
    note: str
    tag: int | None = None
    value: str = ""
    unit: str = ""
    level: float | None = None
    visit_id: UUID | None = None


@dataclass(frozen=True, slots=True)
class Board:
    """Everything that the board shows."""

    tiles: tuple[Tile, ...]
    whips: tuple[WhipCard, ...]
    slots_free: int

    @property
    def floor_words(self) -> str:
        """ "12 full of 23"."""
        full = sum(tile.state == "full" for tile in self.tiles)
        return f"{full} full of {len(self.tiles)}"

    @property
    def whip_words(self) -> str:
        """ "2 filling, 1 free"."""
        filling = sum(card.state == "filling" for card in self.whips)
        free = sum(card.state == "free" for card in self.whips)
        return f"{filling} filling, {free} free"


def against(visit: Visit, standing: Standing | None) -> Against:
    """Whether a cylinder is stopped, held, or neither. A stop outweighs a hold."""
    blocks = standing.blocks if standing else ()
    if any(not block.is_hold for block in blocks):
        return "stop"
    return "hold" if blocks or visit.held is not None else "open"


def board(visits: Iterable[Visit], standings: Mapping[UUID, Standing], *, whips: int, slots: int) -> Board:
    """The board of the open visits, by tag. `standings` by cylinder."""
    here = sorted(visits, key=lambda visit: visit.tag)
    found = [(visit, standings.get(visit.cylinder_id) if visit.cylinder_id else None) for visit in here]
    on_whip = {visit.holds_whip: (visit, standing) for visit, standing in found if visit.holds_whip}
    return Board(
        tiles=tuple(_tile(visit, standing) for visit, standing in found),
        whips=tuple(_card(number, *on_whip.get(number, (None, None))) for number in range(1, whips + 1)),
        slots_free=max(0, slots - sum(visit.slot is not None for visit in here)),
    )


def short_gas(gas: GasWanted) -> str:
    """As it is written on a clip: nothing for air, "EAN32", "TX18/45"."""
    if gas.is_air:
        return ""
    if gas.helium_percent:
        return f"TX{gas.oxygen_percent:g}/{gas.helium_percent:g}"
    return f"EAN{gas.oxygen_percent:g}"


def figure(keyed: KeyedPressure) -> str:
    """The figure alone where it is psi, as stamped; with its unit where it is bar."""
    words = keyed.words
    return words.removesuffix(" psi")


def _tile(visit: Visit, standing: Standing | None) -> Tile:
    state = _state(visit, standing)
    pressure = visit.completed.end if visit.completed and visit.is_taped else None
    pressure = pressure or (visit.rating.rated if visit.rating else None)
    gas = short_gas(visit.gas_in_it)
    # A tile has one line for it: beside a mix there is no room for the words, and no figure says the same.
    shown = figure(pressure) if pressure else "" if gas else "not read"
    note = " ".join(filter(None, (gas, shown)))
    return Tile(
        visit_id=visit.id,
        tag=visit.tag,
        state=state,
        word=WORDS[state],
        note=note,
        level=_level(visit) if state == "whip" else None,
    )


def _state(visit: Visit, standing: Standing | None) -> TileState:
    stopped = against(visit, standing)
    if stopped != "open":
        return stopped
    if visit.is_taped:
        return "full"
    if visit.completed is not None:
        return "hot" if visit.has_answered("analyse") else "analyse"
    if visit.holds_whip is not None:
        return "whip"
    if visit.standing_seen is not None:
        return "ready"
    return "bench" if visit.cylinder_id is not None else "waiting"


def _card(number: int, visit: Visit | None, standing: Standing | None) -> WhipCard:
    if visit is None:
        return WhipCard(number, "free", "Bled and hung up")
    read = visit.readings[-1].pressure if visit.readings else visit.residual
    state, note = _whip_words(visit, standing)
    return WhipCard(
        number=number,
        state=state,
        note=note,
        tag=visit.tag,
        value=f"{read.value:.0f}" if read else "",
        unit=read.unit if read else "",
        level=_level(visit),
        visit_id=visit.id,
    )


def _whip_words(visit: Visit, standing: Standing | None) -> tuple[WhipState, str]:
    stopped = against(visit, standing)
    if stopped == "stop":
        return "stop", "Do not fill. Close both valves"
    if stopped == "hold":
        return "hold", "Hold"
    if visit.completed is not None:
        return "hot", "Hot? Read it, then bleed"
    if visit.is_filling and visit.authorised is not None:
        return "filling", " · ".join(
            filter(None, (f"of {_target_words(visit.authorised.target, visit)}", short_gas(visit.gas)))
        )
    if visit.residual is None:
        return "connected", "Connected, not read"
    return "connected", " · ".join(filter(None, ("left in it", short_gas(visit.gas))))


def _target_words(target: KeyedPressure, visit: Visit) -> str:
    """The target's figure; with its unit where the gauge beside it is read in another."""
    read = visit.readings[-1].pressure if visit.readings else visit.residual
    return figure(target) if read is None or read.unit == target.unit else target.words


def _level(visit: Visit) -> float | None:
    """The last reading as a part of the target; of the rating before a target is set."""
    read = visit.readings[-1].pressure if visit.readings else visit.residual
    full = visit.authorised.target if visit.authorised else (visit.rating.rated if visit.rating else None)
    if read is None or full is None or not full.pressure.pascal:
        return None
    return min(1.0, read.pressure.pascal / full.pressure.pascal)
