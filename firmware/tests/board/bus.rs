//! A chip's register file behind a bus that can fail.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;

use embedded_hal_async::i2c::{Error, ErrorKind, ErrorType, I2c, NoAcknowledgeSource, Operation};
use steadybench_firmware::RecoverBus;
use steadybench_firmware::ina228::Register;

pub(crate) const ADDRESS: u8 = 0x40;

/// What is wrong with the bus.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Fault {
    /// Nobody acknowledges the address, as with a chip that has no supply.
    Nack,
    /// A line is held low, until the bus has been freed so many times.
    Stuck { until_recoveries: u32 },
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct BusError(pub(crate) ErrorKind);

impl Error for BusError {
    fn kind(&self) -> ErrorKind {
        self.0
    }
}

#[derive(Debug, Default)]
pub(crate) struct Wire {
    registers: BTreeMap<u8, Vec<u8>>,
    pointer: u8,
    pub(crate) fault: Option<Fault>,
    /// So many transactions fail, then none.
    pub(crate) nacks: u32,
    pub(crate) recoveries: u32,
    /// Every transaction: bytes written, bytes read.
    pub(crate) log: Vec<(Vec<u8>, Vec<u8>)>,
    /// Polls that find the transfer still going on.
    pub(crate) pending_polls: u32,
}

impl Wire {
    /// All registers as after power-up, the pointer at zero.
    pub(crate) fn power_up(&mut self) {
        self.pointer = 0;
        for register in Register::ALL {
            let mut content = register.after_reset().to_be_bytes().to_vec();
            content.resize(register.bytes(), 0);
            self.registers.insert(register.address(), content);
        }
    }

    pub(crate) fn set(&mut self, register: Register, content: &[u8]) {
        assert_eq!(content.len(), register.bytes());
        self.registers.insert(register.address(), content.to_vec());
    }

    pub(crate) fn set_u16(&mut self, register: Register, content: u16) {
        self.set(register, &content.to_be_bytes());
    }

    /// A 20-bit result in bits 23 to 4.
    pub(crate) fn set_code(&mut self, register: Register, code: i32) {
        let [_, high, middle, low] = (code << 4).to_be_bytes();
        self.set(register, &[high, middle, low]);
    }

    pub(crate) fn get_u16(&self, register: Register) -> u16 {
        u16::from_be_bytes(self.registers[&register.address()].clone().try_into().unwrap())
    }

    fn transact(&mut self, address: u8, operations: &mut [Operation<'_>]) -> Result<(), BusError> {
        let nobody = BusError(ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address));
        match self.fault {
            Some(Fault::Nack) => return Err(nobody),
            Some(Fault::Stuck { until_recoveries }) if self.recoveries < until_recoveries => {
                return Err(BusError(ErrorKind::Bus));
            }
            _ => self.fault = None,
        }
        if self.nacks > 0 {
            self.nacks -= 1;
            return Err(nobody);
        }
        if address != ADDRESS {
            return Err(nobody);
        }
        let (mut written, mut given) = (Vec::new(), Vec::new());
        for operation in operations {
            match operation {
                Operation::Write(bytes) => {
                    written.extend_from_slice(bytes);
                    if let Some((pointer, content)) = bytes.split_first() {
                        self.pointer = *pointer;
                        if !content.is_empty() {
                            self.registers.insert(*pointer, content.to_vec());
                        }
                    }
                }
                Operation::Read(bytes) => {
                    // A register shorter than the read is followed by ones: nobody drives the line.
                    let content = &self.registers[&self.pointer];
                    for (at, byte) in bytes.iter_mut().enumerate() {
                        *byte = content.get(at).copied().unwrap_or(0xFF);
                    }
                    given.extend_from_slice(bytes);
                }
            }
        }
        self.log.push((written, given));
        Ok(())
    }
}

/// One bus with one chip, shared between the library and the test.
#[derive(Clone, Debug)]
pub(crate) struct FakeBus(pub(crate) Rc<RefCell<Wire>>);

impl FakeBus {
    pub(crate) fn new() -> Self {
        let mut wire = Wire::default();
        wire.power_up();
        Self(Rc::new(RefCell::new(wire)))
    }

    pub(crate) fn set_code(&self, register: Register, code: i32) {
        self.0.borrow_mut().set_code(register, code);
    }
}

impl ErrorType for FakeBus {
    type Error = BusError;
}

impl I2c for FakeBus {
    async fn transaction(&mut self, address: u8, operations: &mut [Operation<'_>]) -> Result<(), BusError> {
        let mut polls = self.0.borrow().pending_polls;
        core::future::poll_fn(|context| {
            if polls == 0 {
                return core::task::Poll::Ready(());
            }
            polls -= 1;
            context.waker().wake_by_ref();
            core::task::Poll::Pending
        })
        .await;
        self.0.borrow_mut().transact(address, operations)
    }
}

impl embedded_hal::i2c::I2c for FakeBus {
    fn transaction(&mut self, address: u8, operations: &mut [Operation<'_>]) -> Result<(), BusError> {
        self.0.borrow_mut().transact(address, operations)
    }
}

impl RecoverBus for FakeBus {
    async fn recover(&mut self) {
        self.0.borrow_mut().recoveries += 1;
    }
}
