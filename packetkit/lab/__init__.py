"""Teaching experiments on a team's own frame, worksheets and their marking."""
