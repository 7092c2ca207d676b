"""A read-only mapping of order to value for the frozen descriptions."""

from collections.abc import Mapping


class Orders(Mapping):
    """Read-only mapping of order to value, ascending; hashable, and equal to a dict of the same items."""

    __slots__ = ("_items",)

    def __init__(self, items=()):
        self._items = dict(sorted(dict(items).items()))

    def __getitem__(self, order):
        return self._items[order]

    def __iter__(self):
        return iter(self._items)

    def __len__(self):
        return len(self._items)

    def __hash__(self):
        return hash(tuple(self._items.items()))

    def __repr__(self):
        return repr(self._items)
