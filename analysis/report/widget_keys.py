"""Keys for widgets in a notebook: a script that keeps those which JupyterLab would take."""

#: JupyterLab takes keys for itself, arrows to go from cell to cell, two d to delete one; in these widgets they choose.
KEYS_ARE_OURS = """
const ours = (area) => area.querySelectorAll("select, input, textarea, button").forEach(
  (one) => one.setAttribute("data-lm-suppress-shortcuts", "true"));
setTimeout(() => {  // before that it stands on no page
  const area = element.closest(".jp-OutputArea");
  if (!area) return;
  ours(area);
  new MutationObserver(() => ours(area)).observe(area, {childList: true, subtree: true});
}, 300);
"""
