"""What one shop's node is told from outside: where its data lies, which hub, and the shop's own rules."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, StringConstraints

from cylinder.around import HousePolicy


class ShopSettings(BaseModel):
    """The file `shop.json` in the data folder, written at enrolment."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    node: str
    name: str
    hub_url: str
    hub_node: str
    hub_public_key: str
    jurisdiction: str = "us"
    zone: str = "UTC"
    unit: str = "psi"
    phone: str = ""
    safety_phone: str = ""
    whips: int = 4
    slots: int = 28
    relock_min: int = 5
    label_address: Annotated[str, StringConstraints(pattern=r"^(https?://[A-Za-z0-9.:/_-]{3,50})?$")] = ""
    """What the code on a label begins with, "https://fill.example"; empty where tablets have no address: then it holds words."""
    fill_rate_bar_per_min: float = 20.0
    """How fast the whips usually fill; what a plan is reckoned with unless somebody keys another rate."""
    fill_rate_max_bar_per_min: float = 40.0
    """Faster than this the pages warn."""
    store_policy: str = ""
    """The file in the data folder with the shop's own rules on cylinders and gas; they may only tighten the law."""
    permits: str = ""
    """The file in the data folder with the special permits that somebody at this shop has read."""

    @property
    def policy(self) -> HousePolicy:
        """The shop's rules as decisions read them."""
        return HousePolicy(
            whips=self.whips,
            slots=self.slots,
            fill_rate_bar_per_min=self.fill_rate_bar_per_min,
            fill_rate_max_bar_per_min=self.fill_rate_max_bar_per_min,
        )

    @property
    def tz(self) -> ZoneInfo:
        """The shop's zone: days of law are days there."""
        return ZoneInfo(self.zone)


def read_settings(data: Path) -> ShopSettings:
    """The settings in `data`. Raises FileNotFoundError when the shop was never enrolled."""
    return ShopSettings.model_validate_json((data / "shop.json").read_text())
