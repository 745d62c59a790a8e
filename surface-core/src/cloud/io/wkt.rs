//! Which units does a coordinate system written as well-known text name?
//!
//! Reads just enough of WKT 1 (OGC 01-009) and WKT 2 (ISO 19162) for that: the tree of
//! `NAME[...]` nodes and the unit that belongs to the projected and to the vertical system.

/// A unit of length as the text states it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Length {
    pub name: String,
    pub factor_m: f64,
}

impl Length {
    pub fn new(name: &str, factor_m: f64) -> Self {
        Self {
            name: name.to_owned(),
            factor_m,
        }
    }
}

/// What the text says.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct System {
    /// Unit of the projected system.
    pub horizontal: Option<Length>,
    /// Unit of the vertical system.
    pub vertical: Option<Length>,
    /// The kind of system, if it is there and is not a projected one.
    pub angular: Option<String>,
    /// Name of the outermost system.
    pub name: String,
    /// Number of the projected system in the EPSG register, where the text tells it.
    pub epsg: Option<u16>,
}

/// Deeper nesting than any real system; keeps a hostile text from using up the stack.
const MAX_DEPTH: usize = 24;

#[derive(Debug, Default)]
struct Node<'a> {
    keyword: String,
    words: Vec<&'a str>,
    children: Vec<Node<'a>>,
}

impl<'a> Node<'a> {
    fn find(&self, keywords: &[&str]) -> Option<&Node<'a>> {
        if keywords.contains(&self.keyword.as_str()) {
            return Some(self);
        }
        self.children.iter().find_map(|c| c.find(keywords))
    }

    fn child(&self, keywords: &[&str]) -> Option<&Node<'a>> {
        self.children
            .iter()
            .find(|c| keywords.contains(&c.keyword.as_str()))
    }

    /// `AUTHORITY["EPSG","25832"]` (WKT 1) or `ID["EPSG",25832]` (WKT 2) of this node.
    fn epsg(&self) -> Option<u16> {
        let id = self.child(&["AUTHORITY", "ID"])?;
        let register = id.words.first()?.eq_ignore_ascii_case("EPSG");
        id.words.get(1)?.trim().parse().ok().filter(|_| register)
    }

    /// The unit of this system: its own, else (WKT 2) that of its first axis.
    fn length(&self) -> Option<Length> {
        const UNITS: [&str; 2] = ["UNIT", "LENGTHUNIT"];
        let axis = || self.child(&["AXIS"]).and_then(|a| a.child(&UNITS));
        let unit = self.child(&UNITS).or_else(axis)?;
        let factor_m = unit.words.get(1)?.trim().parse().ok()?;
        Some(Length::new(unit.words.first()?, factor_m))
    }
}

/// Read a text; `None` when it is not well-known text of a coordinate system.
pub(super) fn read(text: &str) -> Option<System> {
    let mut rest = text.trim_matches(|c: char| c.is_whitespace() || c == '\0');
    let root = node(&mut rest, 0)?;
    let projected = root.find(&["PROJCS", "PROJCRS", "PROJECTEDCRS"]);
    let vertical = root.find(&["VERT_CS", "VERTCRS", "VERTICALCRS", "VERTCS"]);
    let other = || root.find(&["GEOGCS", "GEOGCRS", "GEODCRS", "GEOGRAPHICCRS", "GEOCCS"]);
    let angular = match projected {
        Some(_) => None,
        None => other().map(|n| {
            if n.keyword == "GEOCCS" {
                "earth-centred"
            } else {
                "degrees"
            }
        }),
    };
    (projected.is_some() || angular.is_some() || vertical.is_some()).then(|| System {
        horizontal: projected.and_then(Node::length),
        vertical: vertical.and_then(Node::length),
        angular: angular.map(str::to_owned),
        name: root
            .words
            .first()
            .map_or_else(String::new, |&w| w.to_owned()),
        epsg: projected.and_then(Node::epsg),
    })
}

/// `KEYWORD[item, item, ...]`, or `None` where there is no such thing.
fn node<'a>(rest: &mut &'a str, depth: usize) -> Option<Node<'a>> {
    let open = rest.find(['[', '(']).filter(|_| depth < MAX_DEPTH)?;
    let keyword = rest[..open].trim().to_ascii_uppercase();
    *rest = &rest[open + 1..];
    let mut out = Node {
        keyword,
        ..Node::default()
    };
    loop {
        *rest = rest.trim_start_matches(|c: char| c.is_whitespace() || c == ',');
        match rest.chars().next()? {
            ']' | ')' => {
                *rest = &rest[1..];
                return Some(out);
            }
            '"' => out.words.push(quoted(rest)?),
            _ => item(rest, depth, &mut out)?,
        }
    }
}

fn quoted<'a>(rest: &mut &'a str) -> Option<&'a str> {
    let end = rest[1..].find('"')? + 1;
    let word = &rest[1..end];
    *rest = &rest[end + 1..];
    Some(word)
}

/// A bare word (number, enumeration) or a nested node.
fn item<'a>(rest: &mut &'a str, depth: usize, out: &mut Node<'a>) -> Option<()> {
    let end = rest.find(['[', '(', ',', ']', ')'])?;
    if rest[end..].starts_with(['[', '(']) {
        out.children.push(node(rest, depth + 1)?);
    } else {
        out.words.push(rest[..end].trim());
        *rest = &rest[end..];
    }
    Some(())
}

#[cfg(test)]
mod tests {
    use super::*;

    const GEOG: &str = r#"GEOGCS["NAD83",DATUM["d",SPHEROID["GRS 1980",6378137,298.25]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925]]"#;

    #[test]
    fn the_projected_systems_unit_is_taken_not_the_degrees_inside_it() {
        let text = format!(
            r#"COMPD_CS["both",PROJCS["p",{GEOG},PROJECTION["Lambert"],PARAMETER["false_easting",400000],UNIT["foot",0.3048,AUTHORITY["EPSG","9002"]],AXIS["X",EAST]],VERT_CS["v",VERT_DATUM["d",2005],UNIT["US survey foot",0.304800609601219],AXIS["Up",UP]]]"#
        );
        let system = read(&text).unwrap();
        assert_eq!(system.horizontal, Some(Length::new("foot", 0.3048)));
        assert_eq!(system.vertical.unwrap().name, "US survey foot");
        assert_eq!((system.angular, system.name.as_str()), (None, "both"));
    }

    #[test]
    fn the_second_version_of_the_text_is_read_too() {
        let text = r#"PROJCRS["UTM 32N",BASEGEOGCRS["ETRS89",DATUM["d",ELLIPSOID["GRS",6378137,298.2,LENGTHUNIT["metre",1]]],UNIT["degree",0.017]],CONVERSION["c",METHOD["TM"]],CS[Cartesian,2],AXIS["E",east,ORDER[1],LENGTHUNIT["metre",1]],AXIS["N",north]]"#;
        assert_eq!(
            read(text).unwrap().horizontal,
            Some(Length::new("metre", 1.0))
        );
    }

    #[test]
    fn degrees_alone_are_no_lengths() {
        assert_eq!(read(GEOG).unwrap().angular.as_deref(), Some("degrees"));
    }

    #[test]
    fn text_that_is_no_system_is_none() {
        for text in [
            "",
            "EPSG:25832",
            "PROJCS[",
            "A[B[C[",
            "\0\0",
            "LOCAL[\"x\"]",
            "]]][[[",
        ] {
            assert_eq!(read(text), None, "{text}");
        }
        assert_eq!(read(&"A[".repeat(100_000)), None);
    }
}
