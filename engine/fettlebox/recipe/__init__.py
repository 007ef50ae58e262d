"""The recipe language: recipes, tickets and shop files, read with every problem at its place."""

from ..errors import Problem, RecipeError
from .ask import Ask
from .language import Delivery, Plan, PlannedStep, Recipe
from .read import load_recipe, parse_recipe
from .schema import compose_schema
from .shop import Limits, Shop, load_shop, parse_shop
from .steps import Otherwise, StepCall
from .ticket import TICKET_SUFFIX, Ticket, load_ticket, parse_ticket

__all__ = [
    "TICKET_SUFFIX",
    "Ask", "Delivery", "Limits", "Otherwise", "Plan", "PlannedStep", "Problem", "Recipe", "RecipeError",
    "Shop", "StepCall", "Ticket", "compose_schema", "load_recipe", "load_shop", "load_ticket",
    "parse_recipe", "parse_shop", "parse_ticket",
]  # fmt: skip
