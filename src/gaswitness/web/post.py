"""The page of a post: what to watch, and marks."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
