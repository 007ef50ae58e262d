"""The step `mount` for Fettlebox: a flange with a circle of screw holes under a part."""

from .mount import mount

FETTLEBOX_CONTRACT = 2  # the version of the plugin contract that this was made for

__all__ = ["FETTLEBOX_CONTRACT", "mount"]
