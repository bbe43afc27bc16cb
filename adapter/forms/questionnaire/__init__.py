"""The form as a FHIR Questionnaire, and exams as responses to it."""

from adapter.forms.questionnaire.render import to_questionnaire
from adapter.forms.questionnaire.response import to_response

__all__ = ["to_questionnaire", "to_response"]
