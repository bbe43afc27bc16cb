"""Forms to capture with: the bedside page and its server, Questionnaires, a sheet to print."""

from adapter.forms.questionnaire import to_questionnaire, to_response

__all__ = ["to_questionnaire", "to_response"]
