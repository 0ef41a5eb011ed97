"""Set-up, log-in, people and shop settings."""

from __future__ import annotations

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
