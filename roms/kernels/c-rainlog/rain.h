/* RAIN.H  - common to all modules of the rain logger */
typedef unsigned char  BYTE;
typedef unsigned short WORD;

#define SECTOR_SIZE  512

/* What a disk call answers. */
#define DISK_OK      0
#define DISK_TIMEOUT 1
#define DISK_SEEK    2
#define DISK_DATA    3

/* console.c */
extern void ConInit(void);
extern void ConPut(char ch);
extern char ConGet(void);
extern void ConText(const char *text);
extern void ConNumber(WORD value);
extern void ConHex(BYTE value);

/* fdc.c */
extern BYTE FdcResult[7];
extern BYTE FdcStart(void);
extern BYTE FdcReadSector(BYTE cylinder, BYTE sector, BYTE *buffer);
extern BYTE FdcWriteSector(BYTE cylinder, BYTE sector, BYTE *buffer);
extern void FdcStop(void);
extern void Delay(WORD milliseconds);
