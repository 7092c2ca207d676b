"""Imports point one way: a module uses only modules of the rows above its own."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "encsim"
ROWS = """
- _version _checks _compiling _orders _filters _torque_filters _kernels _key_lines _starter _ellipse
  _recording _motion steps _ring_options _shared_options
- _dimensions _ring_checks _sensitivity distributions _loop_options _decision_options
- _files _toml_text _waveform units mechanics _turn_series profiles rings _turn_fit
- _results _axis_text _captures _plot_numbers
- _plot _plot_bars _figures_findings _figures_view
- _plot_labels _plot_strips _page_svg _figures_why _figures_loop_findings _figures_ring_words
- _page_panels _plot_traces _figures_turn
- _figures_period _figures_remedies _figures_ripple _figures_run _figures_closed_run _figures_step
  _figures_estimators _figures_choice _figures_ring_view
- _figures_channels _figures_folded _figures_loop _figures_margins _figures_tolerance _figures_ring
  _figures_ring_maps _figures_ring_passes
- _figures
- _estimator turned_steps _unit_table ring_lines ring_growth ring_heads ring_seat ring_thermal
  centring tightening
- edge_timing plant _ring_fit c_source comparison positioning budget ring_clamping
- estimators edge_filter _loop_states error_map ring_tolerances
- axis loop winding calibration self_calibration calibration_file
- stability edge_loops _axis_reader
- axis_file quadrature identification _run_checks loop_power _clustered_grid
- limits increments _chain _section_reader _linear_answer working_speeds followed_notches
- _loop_tables _demands time_responses followed_power
- causes doubts loop_doubts
- engines error_lines
- closed_form passed_errors _folded_errors
- passed_edges blended_loops simulation starts motion_run _edge_errors
- smooth_running frontier_curve
- screening quick_form
- worst_speeds
- judgements
- requirements
- _options _ring_arguments _outputs _tables _sweeps _candidates _gain_search
- changes
- _choice_grid _choice_work _choice_reader
- choice
- spreads
- _spread_reader _tolerance_samples
- _tolerance_work _tolerance_statistics
- tolerancing
- _arguments _loop_reports _gain_refusal _gain_remedies _tolerance_reports
- tuner
- behaviour _tuning_reports
- side_effects _estimator_picks _other_speeds _loop_proposals _sources _remedy_runs
- proposals _remedy_words
- remedies _explain_words _page_words _page_frames _page_blocks
- explanation _page_speeds _page_parts _page_remedies
- _page_answer
- _choose_reports _explain_reports _ring_reports page
- _profile_text _run_reports
- _commands _choose_commands _loop_commands _tolerance_commands _page_commands
  _ring_commands _calibration_reports
- _run_commands _calibration_commands _explain_commands
- cli
- __main__
"""
ROW_OF = {module: row for row, modules in enumerate(ROWS.split("\n- ")) for module in modules.split()}


def imports(module):
    """Names of the package's modules that a module imports, anywhere in it, inside functions too."""
    for node in ast.walk(ast.parse((PACKAGE / f"{module}.py").read_text())):
        if isinstance(node, ast.ImportFrom) and node.level:
            yield from [node.module] if node.module else [alias.name for alias in node.names]


@pytest.mark.parametrize("module", ROW_OF)
def test_module_imports_only_from_rows_above(module):
    wrong = [name for name in imports(module) if ROW_OF[name] >= ROW_OF[module]]
    assert not wrong, f"{module} imports {wrong}, which stand in its own row or below"


def test_every_module_has_one_row():
    found = {path.stem for path in PACKAGE.glob("*.py")} - {"__init__"}
    assert found == set(ROW_OF)


def test_only_the_kernels_import_numba():
    users = [path.stem for path in PACKAGE.glob("*.py") if "import njit" in path.read_text()]
    assert users == ["_kernels"]
