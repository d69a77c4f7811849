"""The papers that a report is printed on."""

from __future__ import annotations

from typing import Literal

Paper = Literal["a4", "letter"]
