"""Pictures of parts by ray casting: the same part gives the same bytes, with no graphics driver."""

from .layers import render_layers
from .rays import FROM_ABOVE, FRONT, FRONT_VIEW, SIDE_VIEW, THREE_QUARTER, THREE_VIEWS, Stage, View
from .sheet import caption_in, captioned
from .views import render_map, render_pair, render_views

__all__ = [
    "FROM_ABOVE", "FRONT", "FRONT_VIEW", "SIDE_VIEW", "THREE_QUARTER", "THREE_VIEWS", "Stage", "View",
    "caption_in", "captioned", "render_layers", "render_map", "render_pair", "render_views",
]  # fmt: skip
