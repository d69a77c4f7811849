"""The picture of a soak as it is sent and, after its end, written down."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

from soakmon.records.events import EventForm
from soakmon.records.verdict_form import LeakForm

Column = tuple[float | None, ...]


class CurveLanes(BaseModel):
    """What the gates have seen, each list by gate.

    drops: times in s; caught_g: what its drops weigh; leaks: those of the verdict; blind: from when
    to when nothing was read of the mass, s.
    """

    model_config = ConfigDict(frozen=True, extra="ignore")
    drops: tuple[tuple[float, ...], ...] = ()
    counted: tuple[int, ...] = ()
    caught_g: Column = ()
    leaks: tuple[LeakForm, ...] = ()
    blind: tuple[tuple[int, ...], ...] = ()


class CurveSnapshot(EventForm):
    """Columns over t_s, s, in g and °C; those that this soak does not have stay out.

    taken_g: what the bottle has given while the soak's clock has not started; then there is no band
    yet.
    """

    KIND = "curve"
    t_s: tuple[float, ...] = ()
    mass_loss_g: Column = ()
    best_g: Column = ()
    low_g: Column = ()
    high_g: Column = ()
    reads_low_g: Column = ()
    reads_high_g: Column = ()
    air_c: Column = ()
    taken_g: Column = ()
    lanes: CurveLanes = CurveLanes()

    @property
    def columns(self) -> dict[str, Column]:
        """The columns that it has, by their names."""
        return {name: getattr(self, name) for name in self.model_fields_set - {"lanes", "schema_"}}

    def after(self, after_s: float) -> CurveSnapshot:
        """The points and drops after that time alone."""
        later = [place for place, t_s in enumerate(self.t_s) if t_s > after_s]
        first = later[0] if later else len(self.t_s)
        drops = tuple(tuple(t for t in times if t > after_s) for times in self.lanes.drops)
        since: dict[str, object] = {name: column[first:] for name, column in self.columns.items()}
        return self.model_copy(
            update=since | {"lanes": self.lanes.model_copy(update={"drops": drops})}
        )
