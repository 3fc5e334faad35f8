//! Where a command writes, compared with what it reads before anything is computed.

use std::fs;
use std::path::{Path, PathBuf};

use super::beside::{FILES, FOLDERS, Previous};
use super::disk::is_there;
use super::identity::{Inputs, in_the_way, settled};
use super::open_in::refuse_open;
use super::record::{OutputFile, recorded};
use super::staged::{Exchanged, OpenFile, Staged};
use crate::error::{Error, Result};

/// Under which folder everything is written.
#[derive(Debug, Clone, Default)]
pub enum Root {
    /// Where the call states.
    #[default]
    AsNamed,
    /// Inside this folder, whatever the call states.
    Inside(PathBuf),
}

/// Where a command writes: a results folder, folders that the call names besides, or none.
///
/// Every place to write is requested here, and so comes to lie under the [`Root`].
#[derive(Debug)]
pub struct Places {
    root: Root,
    results: Option<Named>,
    saves: Vec<Named>,
    with_workbook: bool,
    /// Folders of the results that models are saved to.
    models: Vec<String>,
    /// Folder of the study that is read, if it is one.
    study: Option<PathBuf>,
    inputs: Vec<PathBuf>,
}

/// A folder as the call names it, and where it is.
#[derive(Debug, Clone)]
struct Named {
    shown: PathBuf,
    real: PathBuf,
}

/// A folder that files may be saved to.
#[derive(Debug, Clone)]
pub struct Place {
    folder: At,
    /// Path inside it.
    inside: String,
}

#[derive(Debug, Clone, Copy)]
enum At {
    Results,
    Save(usize),
}

/// The files that a run has written so far.
#[derive(Debug)]
pub struct Writing {
    staged: Staged,
    results: Option<usize>,
    saves: Vec<(usize, PathBuf)>,
}

impl Places {
    /// A results folder, or none, and nothing else yet.
    #[must_use]
    pub fn new(root: &Root, results: Option<&Path>) -> Self {
        Self {
            root: root.clone(),
            results: results.map(|folder| Named {
                shown: folder.to_owned(),
                real: match root {
                    Root::AsNamed => folder.to_owned(),
                    Root::Inside(root) => root.join("results"),
                },
            }),
            saves: Vec::new(),
            with_workbook: false,
            models: Vec::new(),
            study: None,
            inputs: Vec::new(),
        }
    }

    /// The same without a results folder.
    pub fn without_results(&mut self) {
        self.results = None;
    }

    /// The results are written as a workbook too.
    pub fn with_workbook(&mut self) {
        self.with_workbook = true;
    }

    /// The results folder, as the call names it.
    #[must_use]
    pub fn results(&self) -> Option<&Path> {
        self.results.as_ref().map(|named| named.shown.as_path())
    }

    /// Enters the study folder, whose saved models are not written over.
    pub fn study(&mut self, folder: &Path) {
        self.study = Some(folder.to_owned());
    }

    /// Enters files that are read.
    ///
    /// # Errors
    /// [`ErrorKind::Call`](crate::ErrorKind::Call) where one lies where results go.
    pub fn read(&mut self, files: &[PathBuf]) -> Result<()> {
        self.inputs.extend(files.iter().cloned());
        self.check()
    }

    /// A place for saved models: `folder` where the call names one, else `beside` in the
    /// results folder, else none.
    ///
    /// # Errors
    /// [`ErrorKind::Call`](crate::ErrorKind::Call) where a file that is read lies there, or,
    /// unless the call names the folder, a model of the study that this program's last run
    /// into the folder has not written.
    pub fn models(&mut self, folder: Option<&Path>, beside: &str) -> Result<Option<Place>> {
        let place = match (folder, &self.results) {
            (Some(folder), _) => self.named(folder),
            (None, None) => return Ok(None),
            (None, Some(_)) => {
                self.models.push(beside.to_owned());
                self.refuse_own_models(beside)?;
                Place {
                    folder: At::Results,
                    inside: beside.to_owned(),
                }
            }
        };
        self.check()?;
        Ok(Some(place))
    }

    /// A place in the results folder, where there is one.
    #[must_use]
    pub fn beside(&self, inside: &str) -> Option<Place> {
        self.results.as_ref().map(|_| Place {
            folder: At::Results,
            inside: inside.to_owned(),
        })
    }

    fn named(&mut self, folder: &Path) -> Place {
        let here = settled(folder);
        if let Some(results) = &self.results
            && let Ok(inside) = here.strip_prefix(settled(&results.shown))
        {
            let inside = recorded(inside);
            self.models.push(inside.clone());
            return Place {
                folder: At::Results,
                inside,
            };
        }
        let known = self
            .saves
            .iter()
            .position(|save| settled(&save.shown) == here);
        let number = known.unwrap_or_else(|| {
            self.saves.push(Named {
                shown: folder.to_owned(),
                real: match &self.root {
                    Root::AsNamed => folder.to_owned(),
                    Root::Inside(root) => root.join(format!("saved-{}", self.saves.len())),
                },
            });
            self.saves.len() - 1
        });
        Place {
            folder: At::Save(number),
            inside: String::new(),
        }
    }

    /// Compares all places with all files that are read.
    fn check(&self) -> Result<()> {
        let inputs = Inputs::of(&self.inputs);
        for (folder, kind) in self.folders() {
            let real = settled(&folder.real);
            for input in &self.inputs {
                let by_name = input.parent().zip(input.file_name()).map(|(above, name)| {
                    let above = if above.as_os_str().is_empty() {
                        Path::new(".")
                    } else {
                        above
                    };
                    settled(above).join(name)
                });
                let names = std::iter::once(settled(input)).chain(by_name);
                for name in names {
                    let inside = name.strip_prefix(&real);
                    if let Some(inside) = inside.ok().filter(|inside| kind.may_be(inside)) {
                        return Err(in_the_way(input, &folder.shown.join(inside)));
                    }
                }
            }
            for file in kind.standing(&folder.real) {
                inputs.refuse(&folder.real.join(&file), &folder.shown.join(&file))?;
            }
        }
        if let (Some(results), true) = (&self.results, self.with_workbook) {
            let book = "results.xlsx";
            refuse_open(&results.real.join(book), &results.shown.join(book))?;
        }
        Ok(())
    }

    fn folders(&self) -> impl Iterator<Item = (&Named, Kind<'_>)> {
        let results = self
            .results
            .iter()
            .map(|named| (named, Kind::Results(self)));
        let saves = self.saves.iter().map(|named| (named, Kind::Models));
        results.chain(saves)
    }

    /// Refuses to overwrite models of the study that the last run did not write.
    fn refuse_own_models(&self, beside: &str) -> Result<()> {
        let (Some(results), Some(study)) = (&self.results, &self.study) else {
            return Ok(());
        };
        let folder = study.join(beside);
        if settled(&folder) != settled(&results.real.join(beside)) {
            return Ok(());
        }
        let previous = Previous::read(&results.real);
        for name in Kind::Models.standing(&folder) {
            let inside = format!("{beside}/{}", recorded(&name));
            let mut files = previous.files();
            if !files.any(|file| file.path == inside && previous.is_unedited(&results.real, file)) {
                return Err(Error::call(format!(
                    "{}: found a saved model of the study itself that the last run into this folder has \
                     not written, or that was edited since, expected no model where this run would save \
                     one; nothing was written; choose another folder with --out, or move the file",
                    folder.join(name).display()
                )));
            }
        }
        Ok(())
    }

    /// Begins to write.
    ///
    /// # Errors
    /// As [`Staged::begin`].
    pub fn begin(&self) -> Result<Writing> {
        let named = self.results.iter().chain(&self.saves);
        let folders: Vec<PathBuf> = named.map(|named| named.real.clone()).collect();
        let first = usize::from(self.results.is_some());
        let saves = self.saves.iter().enumerate();
        Ok(Writing {
            staged: Staged::begin(&folders)?,
            results: self.results.as_ref().map(|_| 0),
            saves: saves
                .map(|(number, save)| (first + number, save.shown.clone()))
                .collect(),
        })
    }

    /// Exchanges what was written for what stands there.
    ///
    /// # Errors
    /// As [`Staged::exchange`].
    pub fn exchange(&self, writing: Writing) -> Result<Exchanged> {
        writing.staged.exchange(&Inputs::of(&self.inputs))
    }
}

impl Writing {
    /// Writes a file in a place.
    ///
    /// # Errors
    /// As [`Staged::write`].
    pub fn write(
        &mut self,
        place: &Place,
        name: &str,
        write: impl FnOnce(&mut super::Tallied) -> std::io::Result<()>,
    ) -> Result<()> {
        let (folder, name) = self.at(place, name);
        // A place is only given for a folder that is there.
        folder.map_or(Ok(()), |folder| self.staged.write(folder, &name, write))
    }

    /// Opens a file in a place, among others that are open; none where there is no such folder.
    ///
    /// # Errors
    /// As [`Staged::open`].
    pub fn open(&mut self, place: &Place, name: &str) -> Result<Option<OpenFile>> {
        let (folder, name) = self.at(place, name);
        folder
            .map(|folder| self.staged.open(folder, &name))
            .transpose()
    }

    /// Ends a file that was opened.
    ///
    /// # Errors
    /// As [`Staged::close`].
    pub fn close(&mut self, file: OpenFile) -> Result<()> {
        self.staged.close(file)
    }

    fn at(&self, place: &Place, name: &str) -> (Option<usize>, String) {
        let name = match place.inside.as_str() {
            "" => name.to_owned(),
            inside => format!("{inside}/{name}"),
        };
        let folder = match place.folder {
            At::Results => self.results,
            At::Save(number) => self.saves.get(number).map(|(folder, _)| *folder),
        };
        (folder, name)
    }

    /// The files in the results folder so far.
    #[must_use]
    pub fn results(&self) -> &[OutputFile] {
        self.results.map_or(&[], |folder| self.staged.files(folder))
    }

    /// The files elsewhere so far, by the paths of the call.
    #[must_use]
    pub fn saved(&self) -> Vec<OutputFile> {
        let of = |(folder, shown): &(usize, PathBuf)| {
            let shown = shown.clone();
            let files = self.staged.files(*folder).iter().cloned();
            files.map(move |file| OutputFile {
                path: recorded(&shown.join(&file.path)),
                ..file
            })
        };
        self.saves.iter().flat_map(of).collect()
    }
}

/// Which files of a folder a run may write.
#[derive(Debug, Clone, Copy)]
enum Kind<'a> {
    /// Those of a results folder.
    Results(&'a Places),
    /// Saved models.
    Models,
}

impl Kind<'_> {
    /// Whether a path inside the folder is one that may be written.
    fn may_be(self, inside: &Path) -> bool {
        match self {
            Self::Results(places) => {
                let file = FILES.iter().any(|name| inside == Path::new(name))
                    && (places.with_workbook || inside != Path::new("results.xlsx"));
                let folder = FOLDERS.iter().filter(|name| !name.starts_with("models"));
                let model = places.models.iter().any(|models| {
                    inside
                        .strip_prefix(models)
                        .is_ok_and(|rest| Self::Models.may_be(rest))
                });
                file || model || folder.into_iter().any(|name| inside.starts_with(name))
            }
            Self::Models => {
                let toml = inside.extension().is_some_and(|ending| ending == "toml");
                toml && inside.components().count() == 1 && inside != Path::new("study.toml")
            }
        }
    }

    /// The files there that may be written over.
    fn standing(self, folder: &Path) -> Vec<PathBuf> {
        let inner: Vec<PathBuf> = match self {
            Self::Models => vec![PathBuf::new()],
            Self::Results(places) => {
                let models = places.models.iter().map(String::as_str);
                let all = FOLDERS.into_iter().chain(models).chain([""]);
                all.map(PathBuf::from).collect()
            }
        };
        let mut found = Vec::new();
        for inner in inner {
            let Ok(entries) = fs::read_dir(folder.join(&inner)) else {
                continue;
            };
            let names = entries.flatten().map(|entry| inner.join(entry.file_name()));
            found.extend(names.filter(|name| self.may_be(name) && is_there(&folder.join(name))));
        }
        found
    }
}
