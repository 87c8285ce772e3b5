"""How a schema declares forms that save bits: a summary instead of its samples, and a bundle of samples."""

from __future__ import annotations

from packetkit.schema.field_keys import BUNDLE_KEYS, SUMMARY_KEYS
from packetkit.schema.keys import Key
from packetkit.schema.model import Bundle, Summary
from packetkit.schema.plain import PlainReaders
from packetkit.schema.summaries import MEMBERS
from packetkit.schema.text import Node, Sequence

_MOST_BUNDLED = 1024  # samples: a radio's longest frames hold some 2,000 bits


class CompactReaders(PlainReaders):
    """Reads summaries and bundles."""

    def _read_samples(self, node: Node, path: str, key: Key) -> int | None:
        return self._integer_within(node, path, key, 2, 65_535)

    def _read_kept(self, node: Node, path: str, key: Key) -> tuple[str, ...] | None:
        items = node.items if isinstance(node, Sequence) else (node,)
        words = [self._read_word(item, path, Key(key.name, "word", "", MEMBERS)) for item in items]
        if not items or len(set(words)) < len(words):
            text = "keep names nothing" if not items else "keep names one of them twice"
            self.note(node, "nothing-in-it", path, text, f"Write some of {', '.join(MEMBERS)}.")
            return None
        return None if None in words else tuple(word for word in words if word)

    def _read_summary(self, node: Node, path: str, key: Key) -> Summary | None:
        mapping = self.mapping(node, path, key.name, "{samples: 60}, the most samples that are summed up")
        if mapping is None:
            return None
        entries = self.keys(mapping, SUMMARY_KEYS, path, key.name)
        values = self.read_all(entries, SUMMARY_KEYS, path)
        if self.lacking(mapping, entries, ("samples",)):
            remedy = f"samples: {SUMMARY_KEYS['samples'].help}"
            self.note(node, "missing-key", path, "summary lacks samples", remedy)
        sound = "samples" in values and len(values) == len(mapping.entries)
        return Summary(**values) if sound else None

    def _read_bundled(self, node: Node, path: str, key: Key) -> int | None:
        return self._integer_within(node, path, key, 2, _MOST_BUNDLED)

    def _read_bundle(self, node: Node, path: str, key: Key) -> Bundle | None:
        form = "{samples: 16, maximum_step: 2}, how many and the largest step from one to the next"
        mapping = self.mapping(node, path, key.name, form)
        if mapping is None:
            return None
        entries = self.keys(mapping, BUNDLE_KEYS, path, key.name)
        values = self.read_all(entries, BUNDLE_KEYS, path)
        for lacks in self.lacking(mapping, entries, tuple(BUNDLE_KEYS)):
            self.note(
                node, "missing-key", path, f"bundle lacks {lacks}", f"{lacks}: {BUNDLE_KEYS[lacks].help}"
            )
        sound = len(values) == len(BUNDLE_KEYS) == len(mapping.entries)
        return Bundle(**values) if sound else None
