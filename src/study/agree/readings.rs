//! The readings of a study in long form, one row a reading, ordered and checked.

use std::collections::{BTreeMap, BTreeSet};

use crate::study::table::is_missing;
use crate::study::{StudyError, Table};

/// Which of several readings of one volume by one reader stands for them between readers
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Repeats {
    /// The first repeat; a reader who lacks it counts as missing there
    #[default]
    First,
    /// The mean of those that are there
    Mean,
}

/// One reading
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Reading {
    pub(super) value: Option<f64>,
    pub(super) grade: Option<usize>,
}

/// All readings of a study
#[derive(Clone, Debug)]
pub struct Readings {
    volumes: Vec<String>,
    readers: Vec<String>,
    repeats: Vec<String>,
    patients: Option<Vec<String>>,
    grades: Option<GradeScale>,
    cells: BTreeMap<(usize, usize, usize), Reading>,
}

/// The grades of a study, the mildest first
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GradeScale {
    /// Their names
    pub names: Vec<String>,
    /// Whether their order is known, so that a far miss can weigh more than a near one
    pub order: GradeOrder,
}

/// Whether grades rise
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GradeOrder {
    /// From the first to the last
    Rising,
    /// Nobody said
    Unknown,
}

/// Grades whose order needs no telling
const KNOWN: [&[&str]; 5] = [
    &["none", "trace", "trivial", "mild", "mild-moderate", "moderate", "moderate-severe", "severe"],
    &["0", "i", "ii", "iii", "iv"],
    &["0", "1+", "2+", "3+", "4+"],
    &["0", "1", "2", "3", "4"],
    &["no", "yes"],
];

impl Readings {
    /// Reads the columns `volume`, `reader`, `value` and, where they are there, `repeat`, `grade` and `patient`
    ///
    /// `value_column` names another column than `value`. `grades` names the grades, the mildest
    /// first; without it well-known scales and numbers are put in order. Volumes, readers and
    /// repeats are put in order of name (numbers by size), so that the order of rows says nothing.
    ///
    /// # Errors
    /// See [`StudyError`].
    pub fn from_table(table: &Table, value_column: &str, grades: &[String]) -> Result<Self, StudyError> {
        let (volume, reader) = (table.column("volume")?, table.column("reader")?);
        let (repeat, grade) = (table.find("repeat"), table.find("grade"));
        let value = match table.column(value_column) {
            Ok(column) => Some(column),
            Err(_) if grade.is_some() && value_column == "value" => None,
            Err(error) => return Err(error),
        };
        let repeat_of = |row: usize| match repeat.map(|column| table.cell(row, column)) {
            None | Some("") => "1",
            Some(cell) => cell,
        };
        let mut names = [BTreeSet::new(), BTreeSet::new(), BTreeSet::new()];
        for row in 0..table.len() {
            names[0].insert(table.filled(row, volume)?);
            names[1].insert(table.filled(row, reader)?);
            names[2].insert(repeat_of(row));
        }
        let [volumes, readers, repeats] = names.map(|set| in_order(set.into_iter().collect()));
        let patients = patients(table, volume, &volumes)?;
        let scale = grade.map(|column| scale(table, column, grades)).transpose()?.flatten();
        let place = |list: &[String], name: &str| list.iter().position(|one| one == name).unwrap_or(0);
        let mut cells = BTreeMap::new();
        for row in 0..table.len() {
            let key = (
                place(&volumes, table.cell(row, volume)),
                place(&readers, table.cell(row, reader)),
                place(&repeats, repeat_of(row)),
            );
            let number = value.map(|column| table.number(row, column)).transpose()?.flatten();
            let graded =
                match (&scale, grade.map(|column| table.cell(row, column))) {
                    (Some(scale), Some(cell)) if !is_missing_grade(cell, scale) => {
                        Some(scale.names.iter().position(|name| name.eq_ignore_ascii_case(cell)).ok_or_else(
                            || StudyError::UnknownGrade { row: row + 1, grade: cell.to_owned() },
                        )?)
                    }
                    _ => None,
                };
            if cells.insert(key, Reading { value: number, grade: graded }).is_some() {
                return Err(StudyError::Twice {
                    row: row + 1,
                    volume: table.cell(row, volume).to_owned(),
                    reader: table.cell(row, reader).to_owned(),
                    repeat: repeat_of(row).to_owned(),
                });
            }
        }
        Ok(Self { volumes, readers, repeats, patients, grades: scale, cells })
    }

    /// Names of the volumes
    pub fn volumes(&self) -> &[String] {
        &self.volumes
    }

    /// The patient of each volume, where the table says so
    pub fn patients(&self) -> Option<&[String]> {
        self.patients.as_deref()
    }

    /// Names of the readers
    pub fn readers(&self) -> &[String] {
        &self.readers
    }

    /// Names of the repeats
    pub fn repeats(&self) -> &[String] {
        &self.repeats
    }

    /// The grades, where the table has any
    pub fn grades(&self) -> Option<&GradeScale> {
        self.grades.as_ref()
    }

    /// How many values there are
    pub fn values(&self) -> usize {
        self.cells.values().filter(|cell| cell.value.is_some()).count()
    }

    /// How many grades there are
    pub fn graded(&self) -> usize {
        self.cells.values().filter(|cell| cell.grade.is_some()).count()
    }

    /// The value of one cell
    pub(super) fn value(&self, volume: usize, reader: usize, repeat: usize) -> Option<f64> {
        self.cells.get(&(volume, reader, repeat))?.value
    }

    /// All values of a reader on a volume, in order of the repeats
    pub(super) fn all(&self, volume: usize, reader: usize) -> Vec<f64> {
        (0..self.repeats.len()).filter_map(|repeat| self.value(volume, reader, repeat)).collect()
    }

    /// The value that stands for a reader on a volume
    pub(super) fn standing(&self, volume: usize, reader: usize, rule: Repeats) -> Option<f64> {
        match rule {
            Repeats::First => self.value(volume, reader, 0),
            Repeats::Mean => {
                let all = self.all(volume, reader);
                (!all.is_empty()).then(|| crate::numeric::stats::mean(&all))
            }
        }
    }

    /// The grade that a reader gave a volume in the first repeat
    pub(super) fn grade(&self, volume: usize, reader: usize) -> Option<usize> {
        self.cells.get(&(volume, reader, 0))?.grade
    }
}

/// The patient of each volume; a volume has one
fn patients(table: &Table, volume: usize, volumes: &[String]) -> Result<Option<Vec<String>>, StudyError> {
    let Some(column) = table.find("patient") else { return Ok(None) };
    let mut found: Vec<Option<&str>> = vec![None; volumes.len()];
    for row in 0..table.len() {
        let (name, patient) = (table.cell(row, volume), table.filled(row, column)?);
        let Some(slot) = volumes.iter().position(|one| one == name) else { continue };
        if found[slot].replace(patient).is_some_and(|before| before != patient) {
            return Err(StudyError::TooLittle(format!("volume {name:?} belongs to two patients")));
        }
    }
    Ok(Some(found.into_iter().map(|patient| patient.unwrap_or_default().to_owned()).collect()))
}

/// Names in order: numbers by size and first, then the rest by their letters
fn in_order(names: Vec<&str>) -> Vec<String> {
    let number = |name: &str| name.parse::<f64>().ok().filter(|value| value.is_finite());
    let mut names: Vec<String> = names.into_iter().map(str::to_owned).collect();
    names.sort_by(|a, b| match (number(a), number(b)) {
        (Some(x), Some(y)) => x.total_cmp(&y).then_with(|| a.cmp(b)),
        (Some(_), None) => std::cmp::Ordering::Less,
        (None, Some(_)) => std::cmp::Ordering::Greater,
        (None, None) => a.cmp(b),
    });
    names
}

fn is_missing_grade(cell: &str, scale: &GradeScale) -> bool {
    is_missing(cell) && !scale.names.iter().any(|name| name.eq_ignore_ascii_case(cell))
}

/// The grades that occur, in order; `None` where no cell is filled
fn scale(table: &Table, column: usize, named: &[String]) -> Result<Option<GradeScale>, StudyError> {
    let named_lower: Vec<String> = named.iter().map(|name| name.to_lowercase()).collect();
    let mut seen = BTreeSet::new();
    for row in 0..table.len() {
        let cell = table.cell(row, column).to_lowercase();
        if named_lower.contains(&cell) || !is_missing(&cell) {
            seen.insert(cell);
        }
    }
    if seen.is_empty() {
        return Ok(None);
    }
    if !named.is_empty() {
        let unknown = (0..table.len()).find(|row| {
            let cell = table.cell(*row, column).to_lowercase();
            seen.contains(&cell) && !named_lower.contains(&cell)
        });
        return match unknown {
            Some(row) => {
                Err(StudyError::UnknownGrade { row: row + 1, grade: table.cell(row, column).to_owned() })
            }
            None => Ok(Some(GradeScale { names: named_lower, order: GradeOrder::Rising })),
        };
    }
    for known in KNOWN {
        if seen.iter().all(|grade| known.contains(&grade.as_str())) {
            let names = known.iter().filter(|grade| seen.contains(**grade)).map(|&grade| grade.into());
            return Ok(Some(GradeScale { names: names.collect(), order: GradeOrder::Rising }));
        }
    }
    let order = if seen.iter().all(|grade| grade.parse::<f64>().is_ok()) {
        GradeOrder::Rising
    } else {
        GradeOrder::Unknown
    };
    Ok(Some(GradeScale { names: in_order(seen.iter().map(String::as_str).collect()), order }))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Readings, StudyError> {
        Readings::from_table(&Table::from_csv(text)?, "value", &[])
    }

    #[test]
    fn the_order_of_rows_says_nothing() {
        let a = read("volume,reader,repeat,value\n10,b,1,3\n9,a,2,4\n9,a,1,5\n").unwrap();
        assert_eq!(a.volumes(), ["9", "10"]);
        assert_eq!((a.readers().len(), a.repeats().len()), (2, 2));
        assert_eq!(a.all(0, 0), [5.0, 4.0]);
        assert_eq!(a.standing(0, 0, Repeats::First), Some(5.0));
        assert_eq!(a.standing(0, 0, Repeats::Mean), Some(4.5));
        assert_eq!(a.standing(0, 1, Repeats::Mean), None);
        assert_eq!(a.values(), 3);
    }

    #[test]
    fn a_reading_stands_once() {
        let twice = read("volume,reader,value\nv,a,1\nv,a,2\n");
        assert!(matches!(twice, Err(StudyError::Twice { row: 2, .. })));
        assert!(matches!(read("volume,reader,value\nv,,2\n"), Err(StudyError::EmptyCell { .. })));
        assert!(matches!(read("volume,reader\nv,a\n"), Err(StudyError::NoColumn { .. })));
    }

    #[test]
    fn grades_are_put_in_order() {
        let known =
            read("volume,reader,grade\n1,a,Severe\n2,a,mild\n3,a,moderate\n4,a,\n5,a,none\n").unwrap();
        let scale = known.grades().unwrap();
        assert_eq!(scale.names, ["none", "mild", "moderate", "severe"]);
        assert_eq!((scale.order, known.grade(0, 0), known.grade(3, 0)), (GradeOrder::Rising, Some(3), None));
        let odd = read("volume,reader,grade\n1,a,big\n2,a,huge\n").unwrap();
        assert_eq!(odd.grades().unwrap().order, GradeOrder::Unknown);
        let table = Table::from_csv("volume,reader,grade\n1,a,big\n2,a,huge\n").unwrap();
        let named = |names: &[&str]| {
            let names: Vec<String> = names.iter().map(|&n| n.to_owned()).collect();
            Readings::from_table(&table, "value", &names)
        };
        assert_eq!(named(&["big", "huge"]).unwrap().grades().unwrap().order, GradeOrder::Rising);
        assert!(matches!(named(&["big"]), Err(StudyError::UnknownGrade { row: 2, .. })));
    }
}
