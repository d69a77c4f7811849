"""Commissioning on the page: what is connected, the valve's trial, a way to the phone, the record.

What the page cannot do itself it says: the service is stopped and killed by a command at the Pi,
and bench.toml, which only root writes, takes over what was found here by another.
"""

from __future__ import annotations

from typing import Literal, Protocol

from fastapi import APIRouter, Depends
from pydantic import BaseModel, Field

from soakmon.bench.api import Body
from soakmon.bench.refusals import answers
from soakmon.page.access import runs_nearby, visitor


class StepLine(BaseModel):
    """A step of commissioning; passed: None where it was left out, or is to be tried once more."""

    name: str
    passed: bool | None
    text: str


class ValveWay(BaseModel):
    """A way in which the valve must shut; command: what to type at the Pi, empty for the plug."""

    way: str
    command: str
    found: StepLine | None


class PhoneLine(BaseModel):
    """The way to the phone; arrived: what the owner says of the test messages; answers: whether
    an alarm can be acknowledged from its message; answered: a test message's button was heard.
    """

    chosen: bool
    sent: int
    failed: list[str]
    arrived: bool | None
    answers: bool
    answered: bool


class AskedLine(BaseModel):
    """A plain question; answers: what may be said, empty where it is a number between low and
    high; value: as it is said now."""

    key: str
    text: str
    answers: list[str]
    low: float
    high: float
    value: str


class CommissioningState(BaseModel):
    """How far it is. waiting: the way that is being tried, with the flow before it in g/min;
    to_take_over: a command that brings what was found here into bench.toml, or empty.
    """

    parts: list[StepLine]
    questions: list[AskedLine]
    gain: StepLine | None
    empty_read: bool
    valve: list[ValveWay]
    waiting: str | None
    open_g_per_min: float | None
    title: str = Field(description="of the soak in which the valve is tried")
    phone: PhoneLine
    to_take_over: str


class BenchAnswers(Body):
    """Answers to all of the plain questions, by their keys."""

    answers: dict[str, str] = Field(max_length=40)


class HungMass(Body):
    """What hangs beside the empty bottle, g; 0: nothing."""

    mass_g: float = Field(ge=0, le=50_000, allow_inf_nan=False)


class PhoneCode(BaseModel):
    """What the phone scans: shown once, and kept nowhere else; empty for mail."""

    link: str
    svg: str


class ValveTrialWay(Body):
    """A way to try."""

    way: Literal["stopped", "killed", "power"]


class Push(Body):
    """A push service."""

    way: Literal["push"]
    server: str = Field(max_length=200)


class Mail(Body):
    """Mail, sent by an account of its own."""

    way: Literal["mail"]
    user: str = Field(max_length=200)
    server: str = Field(max_length=200)
    password: str = Field(max_length=200)
    to: str = Field(max_length=200)


class Arrived(Body):
    """Whether the test messages have arrived."""

    arrived: bool


class Commissioner(Protocol):
    """Who commissions for the page. Each raises RefusedError or InputError in words."""

    def state(self) -> CommissioningState:
        """How far it is."""
        ...

    def look(self) -> None:
        """Find what is connected."""
        ...

    def answer(self, answers: dict[str, str]) -> None:
        """Keep what the owner says of the bench."""
        ...

    def hung(self, mass_g: float) -> None:
        """Read the cell with a known mass beside the empty bottle, or with none."""
        ...

    def arm(self, way: str) -> None:
        """Watch the flow from now on: the bench is about to go that way."""
        ...

    def disarm(self) -> None:
        """It is not, after all."""
        ...

    def choose(self, how: Push | Mail) -> PhoneCode:
        """Keep a way to the phone."""
        ...

    def send(self) -> None:
        """Send the test messages, and wait for what their servers say."""
        ...

    def arrived(self, yes: bool) -> None:
        """What the owner says of them."""
        ...

    def finish(self) -> str:
        """Keep the record; in a line, what came of it."""
        ...


def commission_routes(desk: Commissioner) -> list[APIRouter]:
    """Everybody may look; acting takes a person on the shop's network."""
    looks = APIRouter(
        prefix="/api", tags=["commissioning"], dependencies=[Depends(visitor)],
        responses=answers(401, 422),
    )  # fmt: skip
    acts = APIRouter(
        prefix="/api", tags=["commissioning"], dependencies=[Depends(runs_nearby)],
        responses=answers(401, 403, 409, 413, 422, 503),
    )  # fmt: skip

    @looks.get("/commissioning", summary="How far commissioning is")
    def state() -> CommissioningState:
        return desk.state()

    _add_bench(acts, desk)
    _add_valve(acts, desk)
    _add_phone(acts, desk)

    @acts.post("/commissioning/record", summary="Keep the record of commissioning")
    def finish() -> dict[str, str]:
        return {"summary": desk.finish()}

    return [looks, acts]


def _add_bench(acts: APIRouter, desk: Commissioner) -> None:
    """What is connected, what the bench is, and the gain of its cell."""

    @acts.post("/commissioning/look", summary="Find what is connected")
    def look() -> CommissioningState:
        desk.look()
        return desk.state()

    @acts.post("/commissioning/questions", summary="Say what the bench is")
    def questions(body: BenchAnswers) -> CommissioningState:
        desk.answer(body.answers)
        return desk.state()

    @acts.post("/commissioning/gain", summary="Read the cell with a known mass, or with none")
    def gain(body: HungMass) -> CommissioningState:
        desk.hung(body.mass_g)
        return desk.state()


def _add_valve(acts: APIRouter, desk: Commissioner) -> None:
    """The valve's trial."""

    @acts.post("/commissioning/valve", summary="Watch the flow while the bench goes")
    def arm(body: ValveTrialWay) -> CommissioningState:
        desk.arm(body.way)
        return desk.state()

    @acts.delete("/commissioning/valve", summary="It does not go, after all")
    def disarm() -> CommissioningState:
        desk.disarm()
        return desk.state()


def _add_phone(acts: APIRouter, desk: Commissioner) -> None:
    """The way to the phone."""

    @acts.post("/commissioning/phone", summary="Keep a way to the phone")
    def choose(body: Push | Mail) -> PhoneCode:
        return desk.choose(body)

    @acts.post("/commissioning/message", summary="Send test messages to it")
    def send() -> CommissioningState:
        desk.send()
        return desk.state()

    @acts.post("/commissioning/arrived", summary="Say whether they have arrived")
    def arrived(body: Arrived) -> CommissioningState:
        desk.arrived(body.arrived)
        return desk.state()
