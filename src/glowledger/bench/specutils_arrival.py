"""Registers our format with specutils when both are imported, without importing specutils for it.

specutils finds readers in its registry alone, not by entry points, and importing it takes longer than
everything else here. So the registration waits until somebody imports it.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from importlib.abc import Loader, MetaPathFinder
from importlib.machinery import ModuleSpec
from types import ModuleType

AWAITED = "specutils"


def register_now_or_later() -> None:
    """Register at once if specutils is there, else as soon as it has been imported."""
    if AWAITED in sys.modules:
        _register()
    elif not any(isinstance(finder, _Finder) for finder in sys.meta_path):
        sys.meta_path.insert(0, _Finder())


def _register() -> None:
    from glowledger.bench.specutils_formats import register

    register()


class _Finder(MetaPathFinder):
    """Finds specutils as Python would, and has its loader call us afterwards."""

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if fullname != AWAITED:
            return None
        others = (finder for finder in sys.meta_path if finder is not self)
        found = (finder.find_spec(fullname, path, target) for finder in others if hasattr(finder, "find_spec"))
        spec = next((spec for spec in found if spec is not None), None)
        if spec is not None and spec.loader is not None:
            spec.loader = _Loader(spec.loader)
        return spec


class _Loader(Loader):
    """Loads as the loader it stands for, then registers."""

    def __init__(self, loader: Loader) -> None:
        self._loader = loader

    def __getattr__(self, name: str) -> object:
        return getattr(self._loader, name)

    def create_module(self, spec: ModuleSpec) -> ModuleType | None:
        return self._loader.create_module(spec)

    def exec_module(self, module: ModuleType) -> None:
        module.__spec__.loader = module.__loader__ = self._loader  # type: ignore[union-attr]
        self._loader.exec_module(module)
        sys.meta_path[:] = [finder for finder in sys.meta_path if not isinstance(finder, _Finder)]
        _register()
