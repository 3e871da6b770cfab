"""The record on paper. Importing this loads fpdf2: do it only when a PDF is asked for."""

from shimfit.report.pdf.asbuilt import record_pdf

__all__ = ["record_pdf"]
