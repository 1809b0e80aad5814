"""How fields of mails are read: the library takes a time that grows with the square of a field's
parameters, so only as many are handed to it as a mail program writes.
"""

from collections.abc import Sequence
from email.policy import Compat32

MAX_PARAMETERS = 64
"""Of one field. A name that is told in pieces (RFC 2231 3) takes a few, the rest one each."""


class _Bounded(Compat32):
    def header_source_parse(self, sourcelines: Sequence[str]) -> tuple[str, str]:
        name, value = super().header_source_parse(sourcelines)  # type: ignore[arg-type]
        return name, ";".join(value.split(";", MAX_PARAMETERS)[:MAX_PARAMETERS])


BOUNDED = _Bounded()
