//! The formats by name.

/// A format that a finished build is handed over in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum ExportFormat {
    /// glTF 2.0, one binary file: tiles, levels of detail, materials.
    Gltf,
    /// Wavefront OBJ with MTL: groups a section and zone.
    Obj,
    /// Binary STL: bare triangles.
    Stl,
    /// Binary PLY without zones.
    Ply,
    /// OpenCRG 1.2, binary: the curved regular grid.
    OpenCrg,
    /// OpenCRG 1.2 as text.
    OpenCrgText,
    /// GeoTIFF raster.
    GeoTiff,
    /// OpenDRIVE 1.7 road.
    OpenDrive,
    /// LandXML 1.2 surface.
    LandXml,
    /// Line and edges with heights, and spots, as GeoJSON.
    GeoJson,
    /// Stations with line, edges and heights, as CSV.
    Csv,
    /// The same as Parquet.
    Parquet,
    /// The points of the road with class, deviation and setup.
    Laz,
}

/// What is known of a format.
struct Entry {
    format: ExportFormat,
    /// On the command line.
    name: &'static str,
    /// Usual ending of its files.
    ending: &'static str,
    /// Its file's name in a build folder: one that nobody else gives, since the next build there
    /// takes it away.
    product: &'static str,
    /// For the help.
    summary: &'static str,
}

const ENTRIES: [Entry; 13] = [
    Entry {
        format: ExportFormat::Gltf,
        name: "gltf",
        ending: "glb",
        product: "surface.glb",
        summary: "glTF 2.0 binary, for renderers: tiles, levels of detail, zones as materials",
    },
    Entry {
        format: ExportFormat::Obj,
        name: "obj",
        ending: "obj",
        product: "surface.obj",
        summary: "Wavefront OBJ and MTL: a group for every section and zone",
    },
    Entry {
        format: ExportFormat::Stl,
        name: "stl",
        ending: "stl",
        product: "surface-single.stl",
        summary: "binary STL: bare triangles in single precision",
    },
    Entry {
        format: ExportFormat::Ply,
        name: "ply",
        ending: "ply",
        product: "surface-plain.ply",
        summary: "binary PLY without zones, for general tools",
    },
    Entry {
        format: ExportFormat::OpenCrg,
        name: "opencrg",
        ending: "crg",
        product: "surface.crg",
        summary: "OpenCRG 1.2 binary, for tyre models: reference line, slope, banking, grid",
    },
    Entry {
        format: ExportFormat::OpenCrgText,
        name: "opencrg-text",
        ending: "crg",
        product: "surface-text.crg",
        summary: "the same as text",
    },
    Entry {
        format: ExportFormat::GeoTiff,
        name: "geotiff",
        ending: "tif",
        product: "surface.tif",
        summary: "GeoTIFF raster in world axes: height, σ, resolved wavelength or deviation (--layer)",
    },
    Entry {
        format: ExportFormat::OpenDrive,
        name: "opendrive",
        ending: "xodr",
        product: "surface.xodr",
        summary: "OpenDRIVE 1.7 road: line, elevation, superelevation, cross sections, lanes",
    },
    Entry {
        format: ExportFormat::LandXml,
        name: "landxml",
        ending: "xml",
        product: "surface-landxml.xml",
        summary: "LandXML 1.2 triangulated surface in world coordinates, for surveyors",
    },
    Entry {
        format: ExportFormat::GeoJson,
        name: "geojson",
        ending: "geojson",
        product: "surface.geojson",
        summary: "line and edges with heights, and the spots, as GeoJSON",
    },
    Entry {
        format: ExportFormat::Csv,
        name: "csv",
        ending: "csv",
        product: "surface-stations.csv",
        summary: "stations: line, edges, heights, crossfall, grade, one row each",
    },
    Entry {
        format: ExportFormat::Parquet,
        name: "parquet",
        ending: "parquet",
        product: "surface-stations.parquet",
        summary: "the same table as Apache Parquet",
    },
    Entry {
        format: ExportFormat::Laz,
        name: "laz",
        ending: "laz",
        product: "surface-points.laz",
        summary: "points of the road with class, deviation and setup (needs --deviation-points all)",
    },
];

impl ExportFormat {
    /// All formats, in the order of the documentation.
    pub fn all() -> impl Iterator<Item = Self> {
        ENTRIES.iter().map(|e| e.format)
    }

    /// Whether a distance between its values can be chosen: grids and tables, not the mesh itself.
    #[must_use]
    pub fn has_spacing(self) -> bool {
        match self {
            Self::OpenCrg | Self::OpenCrgText | Self::GeoTiff | Self::OpenDrive => true,
            Self::GeoJson | Self::Csv | Self::Parquet => true,
            Self::Gltf | Self::Obj | Self::Stl | Self::Ply | Self::LandXml | Self::Laz => false,
        }
    }

    fn entry(self) -> &'static Entry {
        let found = ENTRIES.iter().find(|e| e.format == self);
        // Every format is in the table; a test holds it to that.
        found.unwrap_or(&ENTRIES[0])
    }

    /// The format of this name.
    #[must_use]
    pub fn of_name(name: &str) -> Option<Self> {
        ENTRIES.iter().find(|e| e.name == name).map(|e| e.format)
    }

    /// Its name on the command line.
    #[must_use]
    pub fn name(self) -> &'static str {
        self.entry().name
    }

    /// What it is, in a line.
    #[must_use]
    pub fn summary(self) -> &'static str {
        self.entry().summary
    }

    /// The usual ending of its files.
    #[must_use]
    pub fn ending(self) -> &'static str {
        self.entry().ending
    }

    /// The name that its file gets in a build folder.
    #[must_use]
    pub fn product(self) -> &'static str {
        self.entry().product
    }

    /// All files that it leaves in a build folder.
    pub fn products(self) -> impl Iterator<Item = &'static str> {
        let beside = (self == Self::Obj).then_some("surface.mtl");
        std::iter::once(self.product()).chain(beside)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_products_differ_and_none_is_a_build_s_own() {
        let all: Vec<ExportFormat> = ExportFormat::all().collect();
        for (k, a) in all.iter().enumerate() {
            assert_eq!(ExportFormat::of_name(a.name()), Some(*a));
            assert!(a.products().all(|name| name.starts_with("surface")));
            assert!(a.product().ends_with(a.ending()) && a.entry().format == *a);
            assert!(!crate::build::PRODUCTS.contains(&a.product()));
            for b in &all[..k] {
                assert!(a.name() != b.name() && a.product() != b.product());
            }
        }
    }
}
