//! What the course can be coloured by.

/// A quantity that is known cell by cell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Layer {
    /// Robust mean of cloud minus surface, millimetres.
    Deviation,
    /// Standard deviation of the height, millimetres.
    Sigma,
    /// Shortest wavelength of which the height holds more road than noise, metres.
    Wavelength,
    /// Points a square metre.
    Density,
    /// Slope across the course, per cent, positive where the left side is higher.
    Crossfall,
    /// Mean intensity of the points, 0..=65535.
    Intensity,
}

/// All layers, as the page lists them.
pub(super) const LAYERS: [Layer; 6] = [
    Layer::Deviation,
    Layer::Sigma,
    Layer::Wavelength,
    Layer::Density,
    Layer::Crossfall,
    Layer::Intensity,
];

impl Layer {
    /// Its name in the page's data.
    pub fn name(self) -> &'static str {
        match self {
            Self::Deviation => "deviation",
            Self::Sigma => "sigma",
            Self::Wavelength => "wavelength",
            Self::Density => "density",
            Self::Crossfall => "crossfall",
            Self::Intensity => "intensity",
        }
    }

    /// Step in which its values are stored: a tenth of what they are uncertain by, or finer.
    pub fn unit(self) -> f64 {
        match self {
            Self::Deviation => 0.05,
            Self::Sigma | Self::Wavelength => 0.01,
            Self::Density => 1.0,
            Self::Crossfall => 0.05,
            Self::Intensity => 256.0,
        }
    }

    /// Whether neighbours are alike, so that differences are smaller than values.
    pub fn is_smooth(self) -> bool {
        self != Self::Deviation
    }
}
