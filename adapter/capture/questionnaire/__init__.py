"""The exam as FHIR Questionnaire, and QuestionnaireResponses to it in and out."""

from adapter.capture.questionnaire.read import is_response, read_response
from adapter.capture.questionnaire.render import to_questionnaire
from adapter.capture.questionnaire.response import to_response
from adapter.capture.questionnaire.sheet import NotInForm

__all__ = ["NotInForm", "is_response", "read_response", "to_questionnaire", "to_response"]
