//! Line charts as SVG text: axes linear or logarithmic, lines told apart by colour and by dash.

mod along;
mod axes;
mod draw;
mod events;
mod rough;
mod sheet;

pub use along::wavelength_sheet;
pub use axes::{Axis, Band, Chart, Dots, Line, Scale};
pub use events::{EventStrip, MOST_EVENTS, events_sheet};
pub use rough::{PathFigures, coherence_chart, iri_chart, spectrum_chart, straightedge_chart};
pub use sheet::Sheet;
