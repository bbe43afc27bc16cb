"""The exam as FHIR Questionnaire, and QuestionnaireResponses to it in and out."""

from adapter.capture.questionnaire.render import to_questionnaire

__all__ = ["to_questionnaire"]
