"""For authors of plugins: the plugin contract as checks that anyone can run, and small shapes to try on.

In a test of one's own, with pytest:

    from fettlebox.testing import contract

    @pytest.mark.parametrize("check", contract(lift, {"by": "12 mm"}), ids=str)
    def test_the_contract_of_lift(check):
        check()

Without pytest, `fettlebox plugin prove NAME` does the same for an installed step.
"""

from .additions import addition_contract
from .check import Check, NothingShownError
from .contract import contract
from .formats import reader_contract, writer_contract
from .graders import grader_contract
from .shapes import ball, brick, bust, bust_scan, seated_bust
from .tellers import teller_contract
from .watching import ContractError

__all__ = [
    "Check",
    "ContractError",
    "NothingShownError",
    "addition_contract",
    "ball",
    "brick",
    "bust",
    "bust_scan",
    "contract",
    "grader_contract",
    "reader_contract",
    "seated_bust",
    "teller_contract",
    "writer_contract",
]
