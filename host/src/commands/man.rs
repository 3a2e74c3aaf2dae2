//! `steady man`: the manual pages, made from the command line itself.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use crate::console::Console;
use crate::exit::Exit;
use crate::export::new_file::NewFile;
use crate::fault::{Fault, plain_reason};

/// Arguments of `steady man`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Write the pages of all commands into this folder, which has to be there; the program's own page is printed when none
    /// is given.
    #[arg(long, value_name = "FOLDER")]
    into: Option<PathBuf>,
    /// Replace pages that are there.
    #[arg(long)]
    force: bool,
}

/// Prints or writes the pages.
///
/// # Errors
/// When the folder cannot be written, or a page is there already.
pub fn run(args: &Args, console: &Console) -> Result<Exit, Fault> {
    let failed = |error: io::Error| Fault::new(Exit::Failed, "the manual page", plain_reason(&error));
    let mut command = super::command();
    command.build();
    let Some(folder) = &args.into else {
        let mut page = Vec::new();
        render(&command, &mut page).map_err(failed)?;
        console.say(String::from_utf8_lossy(&page).trim_end());
        return Ok(Exit::Done);
    };
    let mut written = Vec::new();
    write_pages(&command, "steady", folder, args.force, &mut written)?;
    console.result(&written, |written| {
        format!("{} pages in {}", written.len(), folder.display())
    });
    Ok(Exit::Done)
}

/// The page of a command, and after it the pages of those below it, as `steady-job-new.1`.
fn write_pages(
    command: &clap::Command,
    name: &str,
    folder: &Path,
    force: bool,
    written: &mut Vec<PathBuf>,
) -> Result<(), Fault> {
    let path = folder.join(format!("{name}.1"));
    let mut file = NewFile::begin(&path, force)?;
    render(command, file.file()).map_err(|error| Fault::file(Exit::Failed, &path, &error))?;
    file.finish()?;
    written.push(path);
    for below in command
        .get_subcommands()
        .filter(|below| below.get_name() != "help")
    {
        let name = format!("{name}-{}", below.get_name());
        write_pages(below, &name, folder, force, written)?;
    }
    Ok(())
}

fn render(command: &clap::Command, target: &mut dyn Write) -> io::Result<()> {
    clap_mangen::Man::new(command.clone()).render(target)
}
