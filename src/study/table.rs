//! A table of text as it was handed in: a head line and rows, columns found by name.

use super::StudyError;

/// Largest number that is taken for a measurement
const LARGEST: f64 = 1e50;

/// A head line and the rows below it
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Table {
    head: Vec<String>,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// Reads comma-separated text (RFC 4180); cells are trimmed, a byte-order mark is passed over,
    /// rows without any filled cell are not counted
    ///
    /// # Errors
    /// [`StudyError::Csv`] where rows differ in length or a quote does not close,
    /// [`StudyError::TwoColumns`], [`StudyError::Empty`].
    pub fn from_csv(text: &str) -> Result<Self, StudyError> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(text.as_bytes());
        let wrong = |error: csv::Error| StudyError::Csv(error.to_string());
        let head: Vec<String> = reader.headers().map_err(wrong)?.iter().map(str::to_lowercase).collect();
        for (at, name) in head.iter().enumerate() {
            if !name.is_empty() && head[..at].contains(name) {
                return Err(StudyError::TwoColumns(name.clone()));
            }
        }
        let mut rows = Vec::new();
        for record in reader.records() {
            let row: Vec<String> = record.map_err(wrong)?.iter().map(str::to_owned).collect();
            if row.iter().any(|cell| !cell.is_empty()) {
                rows.push(row);
            }
        }
        if rows.is_empty() {
            return Err(StudyError::Empty);
        }
        Ok(Self { head, rows })
    }

    /// How many rows there are
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// Whether there is no row; never so for a table that was read
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// The names of the columns, in small letters
    pub fn head(&self) -> &[String] {
        &self.head
    }

    /// The place of a column, whatever the case of its letters
    pub fn find(&self, name: &str) -> Option<usize> {
        let name = name.trim().to_lowercase();
        self.head.iter().position(|column| *column == name)
    }

    /// The place of a column that must be there
    ///
    /// # Errors
    /// [`StudyError::NoColumn`].
    pub fn column(&self, name: &str) -> Result<usize, StudyError> {
        self.find(name)
            .ok_or_else(|| StudyError::NoColumn { wanted: name.to_owned(), found: self.head.join(", ") })
    }

    /// A cell; empty outside the table
    pub fn cell(&self, row: usize, column: usize) -> &str {
        self.rows.get(row).and_then(|cells| cells.get(column)).map_or("", String::as_str)
    }

    /// A cell as a number; `None` where it is empty or says that nothing is there (NA, NaN, -)
    ///
    /// # Errors
    /// [`StudyError::NotANumber`].
    pub fn number(&self, row: usize, column: usize) -> Result<Option<f64>, StudyError> {
        let cell = self.cell(row, column);
        if is_missing(cell) {
            return Ok(None);
        }
        match cell.parse::<f64>() {
            // Beyond that, squares would not be finite, and nothing of a body is that large.
            Ok(value) if value.abs() <= LARGEST => Ok(Some(value)),
            _ => Err(StudyError::NotANumber {
                row: row + 1,
                column: self.head.get(column).cloned().unwrap_or_default(),
                cell: cell.to_owned(),
            }),
        }
    }

    /// A cell that must be filled
    ///
    /// # Errors
    /// [`StudyError::EmptyCell`].
    pub fn filled(&self, row: usize, column: usize) -> Result<&str, StudyError> {
        let cell = self.cell(row, column);
        if cell.is_empty() {
            let column = self.head.get(column).cloned().unwrap_or_default();
            return Err(StudyError::EmptyCell { row: row + 1, column });
        }
        Ok(cell)
    }
}

/// Whether a cell says that nothing is there
pub(super) fn is_missing(cell: &str) -> bool {
    ["", "-", "na", "n/a", "nan", "null", "none measured"].contains(&cell.to_lowercase().as_str())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_found_by_name() {
        let table =
            Table::from_csv("\u{feff}Volume, Value ,note\nv1, 3.5 ,\"a, b\"\n,,\nv2,NA,\nv3,x,\n").unwrap();
        assert_eq!((table.len(), table.head()[1].as_str()), (3, "value"));
        let value = table.column("VALUE").unwrap();
        assert_eq!(table.number(0, value), Ok(Some(3.5)));
        assert_eq!(table.number(1, value), Ok(None));
        assert!(matches!(table.number(2, value), Err(StudyError::NotANumber { row: 3, .. })));
        assert_eq!(table.cell(0, 2), "a, b");
        assert!(matches!(table.column("reader"), Err(StudyError::NoColumn { .. })));
        assert!(matches!(table.filled(0, 9), Err(StudyError::EmptyCell { .. })));
    }

    #[test]
    fn what_is_no_table_is_refused() {
        assert!(matches!(Table::from_csv("a,b\n1\n"), Err(StudyError::Csv(_))));
        assert_eq!(Table::from_csv("a,A\n1,2\n"), Err(StudyError::TwoColumns("a".into())));
        assert_eq!(Table::from_csv(""), Err(StudyError::Empty));
        assert_eq!(Table::from_csv("a,b\n"), Err(StudyError::Empty));
    }
}
