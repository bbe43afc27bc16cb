"""The exam as one form, a tree of nodes, and the QuestionnaireResponses to it."""

from adapter.read.questionnaire.read import read_response
from adapter.read.questionnaire.sheet import NotInForm

__all__ = ["NotInForm", "read_response"]
